import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { copyFaultSite } from './harness/fault-site.js';
import { SINK_ACTS } from './harness/injector.js';
import { faultSchedule, KINDS, SINKS, STEPS } from './harness/schedule.js';

const SEEDS = Array.from({ length: 200 }, (_, i) => i + 1);

describe('the schedule of faults', () => {
  it('is the same for the same seed, and another for every other', () => {
    const texts = SEEDS.map((seed) => JSON.stringify(faultSchedule(seed, 30)));
    expect(SEEDS.map((seed) => JSON.stringify(faultSchedule(seed, 30)))).toEqual(texts);
    expect(new Set(texts).size).toBe(SEEDS.length);
  });

  it('meets every kind and every step within ten seeds in a row, however short they are', () => {
    // Whichever the first is; the turns come round again long before these are over.
    for (const first of SEEDS.slice(0, -10)) {
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

describe('what a destination does wrong', () => {
  it('is known for each kind that a schedule can name', () => {
    const named = KINDS.filter((kind) => kind.startsWith('sink-') && kind !== 'sink-restart');
    expect(Object.keys(SINK_ACTS).sort()).toEqual([...named].sort());
  });

  it('stores late only within the settling time that the site declares of it', async () => {
    const directory = mkdtempSync(join(tmpdir(), 'fault-site-'));
    try {
      copyFaultSite(directory, SINKS);
      const loaded = await loadSiteFolder(directory, {});
      if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
      const act = SINK_ACTS['sink-store-late'];
      if (act?.kind !== 'store-late') throw new Error('it stores nothing late');
      expect(loaded.site.destinations.map(({ name }) => name).sort()).toEqual([...SINKS].sort());
      for (const { timing } of loaded.site.destinations) {
        // Past the deadline, or it would only be slow.
        expect(act.clientWaitsMs).toBe(timing.deadlineMs);
        expect(act.ms).toBeGreaterThan(0);
        expect(act.ms).toBeLessThan(timing.settleMs);
      }
    } finally {
      rmSync(directory, { recursive: true });
    }
  });
});
