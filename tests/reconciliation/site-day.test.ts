import { describe, expect, it } from 'vitest';
import { formatInstant, msBetween, parseTimestamp } from '../../src/formats/instant.js';
import { dayOf, siteDay } from '../../src/reconciliation/site-day.js';

function bounds(day: string, zone: string): [string, string, number] | null {
  const period = siteDay(day, zone);
  if (!period) return null;
  return [
    formatInstant(period.from).slice(0, 16),
    formatInstant(period.to).slice(0, 16),
    msBetween(period.from, period.to) / 3_600_000,
  ];
}

// Source: IANA time zone database. Europe/London leaves summer time at 01:00 UTC on the last Sunday of
// October and enters it at 01:00 UTC on the last Sunday of March (25 October and 29 March in 2026).
describe('a day of the site', () => {
  it('has 23, 24 or 25 hours', () => {
    expect(bounds('2026-03-29', 'Europe/London')).toEqual([
      '2026-03-29T00:00',
      '2026-03-29T23:00',
      23,
    ]);
    expect(bounds('2026-10-25', 'Europe/London')).toEqual([
      '2026-10-24T23:00',
      '2026-10-26T00:00',
      25,
    ]);
    expect(bounds('2026-03-04', 'Europe/London')).toEqual([
      '2026-03-04T00:00',
      '2026-03-05T00:00',
      24,
    ]);
    expect(bounds('2026-03-04', 'Asia/Kolkata')).toEqual([
      '2026-03-03T18:30',
      '2026-03-04T18:30',
      24,
    ]);
    expect(bounds('2026-03-04', 'Pacific/Kiritimati')?.[0]).toBe('2026-03-03T10:00');
  });

  // Source: IANA time zone database, rule Beirut: clocks go from 24:00 to 01:00 on the last Sunday of March.
  it('begins at the first instant there is where midnight is skipped', () => {
    expect(bounds('2026-03-29', 'Asia/Beirut')).toEqual([
      '2026-03-28T22:00',
      '2026-03-29T21:00',
      23,
    ]);
  });

  it('holds both halves of the repeated autumn hour', () => {
    const day = siteDay('2026-10-25', 'Europe/London');
    for (const text of ['2026-10-25T01:30:00+01:00', '2026-10-25T01:30:00+00:00']) {
      const instant = parseTimestamp(text)?.instant ?? (0 as never);
      expect(day && instant >= day.from && instant < day.to).toBe(true);
      expect(dayOf(instant, 'Europe/London')).toBe('2026-10-25');
    }
  });

  it('puts an instant on the day of the site, not of UTC', () => {
    const late = parseTimestamp('2026-07-01T23:30:00Z')?.instant ?? (0 as never);
    expect(dayOf(late, 'Europe/London')).toBe('2026-07-02');
  });

  it('refuses what is no day', () => {
    for (const text of ['2026-02-29', '2026-13-01', '04.03.2026', '']) {
      expect(siteDay(text, 'Europe/London')).toBeNull();
    }
  });
});
