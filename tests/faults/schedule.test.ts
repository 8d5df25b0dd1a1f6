import { describe, expect, it } from 'vitest';
import { faultSchedule, KINDS, STEPS } from './harness/schedule.js';

const SEEDS = Array.from({ length: 200 }, (_, i) => i + 1);

describe('the schedule of faults', () => {
  it('is the same for the same seed, and another for every other', () => {
    const texts = SEEDS.map((seed) => JSON.stringify(faultSchedule(seed, 30)));
    expect(SEEDS.map((seed) => JSON.stringify(faultSchedule(seed, 30)))).toEqual(texts);
    expect(new Set(texts).size).toBe(SEEDS.length);
  });

  it('meets every kind and every step within ten seeds in a row, however short they are', () => {
    for (const first of [1, 2, 7, 50, 191]) {
      const faults = SEEDS.slice(0, 10).flatMap((_, i) => faultSchedule(first + i, 12).faults);
      expect([...new Set(faults.map((f) => f.kind))].sort()).toEqual(['kill', ...KINDS].sort());
      expect(new Set(faults.flatMap((f) => f.step ?? []))).toEqual(new Set(STEPS));
    }
  });

  it('begins and ends within its time, and a pause outlasts a lease', () => {
    for (const seed of SEEDS) {
      for (const seconds of [12, 30]) {
        const { faults } = faultSchedule(seed, seconds);
        for (const { kind, atMs, forMs } of faults) {
          expect(atMs).toBeGreaterThanOrEqual(0);
          expect(atMs + forMs).toBeLessThanOrEqual(seconds * 1000);
          if (kind === 'pause') expect(forMs).toBeGreaterThan(10_000);
        }
        expect(faults.map((f) => f.atMs)).toEqual(faults.map((f) => f.atMs).sort((a, b) => a - b));
      }
    }
  });

  it('kills a process at a step that it can reach', () => {
    const kills = SEEDS.flatMap((seed) => faultSchedule(seed, 30).faults).filter((f) => f.step);
    expect(kills.length).toBeGreaterThan(SEEDS.length);
    for (const { step, target } of kills) {
      const isIntake = ['S1', 'S2', 'S3', 'S4'].includes(step ?? '');
      if (isIntake) expect(target?.role).toBe('serve');
      else if (step !== 'S14') expect(target?.role).toBe('work');
    }
  });
});
