import { describe, expect, it } from 'vitest';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { misbehaviourFor, seededSchedule } from '../../src/simulation/misbehaviour.js';
import { gaussian, seededRandom } from '../../src/simulation/seeded-random.js';
import { formatInZone } from '../../src/simulation/zoned-time.js';

const at = (text: string) => parseTimestamp(text)?.instant as Instant;

describe('times of a simulated handheld', () => {
  // Source: the EU and UK rule of clock changes on the last Sundays of March and October, 01:00 UTC.
  it('carry the offset in force, also in the repeated hour of autumn', () => {
    expect(formatInZone(at('2026-01-10T12:00:00.250Z'), 'Europe/London')).toBe(
      '2026-01-10T12:00:00.250+00:00',
    );
    expect(formatInZone(at('2026-10-25T00:30:00Z'), 'Europe/London')).toBe(
      '2026-10-25T01:30:00.000+01:00',
    );
    expect(formatInZone(at('2026-10-25T01:30:00Z'), 'Europe/London')).toBe(
      '2026-10-25T01:30:00.000+00:00',
    );
    expect(formatInZone(at('2026-01-10T12:00:00Z'), 'America/St_Johns')).toBe(
      '2026-01-10T08:30:00.000-03:30',
    );
  });
});

describe('seeded numbers', () => {
  it('replay by seed and spread over the unit interval', () => {
    const draw = (seed: number) => Array.from({ length: 1000 }, seededRandom(seed));
    expect(draw(5)).toEqual(draw(5));
    expect(draw(5)).not.toEqual(draw(6));
    const mean = draw(5).reduce((sum, x) => sum + x, 0) / 1000;
    expect(mean).toBeGreaterThan(0.45);
    expect(mean).toBeLessThan(0.55);
  });

  it('are normal with mean 0 and deviation 1 where noise is asked for', () => {
    const random = seededRandom(11);
    const values = Array.from({ length: 20_000 }, () => gaussian(random));
    const mean = values.reduce((sum, x) => sum + x, 0) / values.length;
    const variance = values.reduce((sum, x) => sum + (x - mean) ** 2, 0) / values.length;
    // Three standard errors of the mean and about four of the variance at this sample size.
    expect(Math.abs(mean)).toBeLessThan(0.022);
    expect(Math.abs(variance - 1)).toBeLessThan(0.04);
  });
});

describe('a seeded schedule of faults', () => {
  it('replays by seed and holds every kind of fault', () => {
    expect(seededSchedule(3, 300)).toEqual(seededSchedule(3, 300));
    expect(seededSchedule(3, 300)).not.toEqual(seededSchedule(4, 300));
    for (const rule of seededSchedule(3, 300).byOrdinal) {
      expect(rule.ordinals.length, rule.act.kind).toBeGreaterThan(0);
    }
  });

  it('leaves questions alone', () => {
    const schedule = seededSchedule(3, 300);
    for (let ordinal = 1; ordinal <= 300; ordinal += 1) {
      expect(misbehaviourFor(schedule, { operation: 'ask', ordinal, body: '' })).toBeNull();
    }
  });
});
