import { describe, expect, it } from 'vitest';
import { parseTimestamp } from '../../src/formats/instant.js';
import { isTimeZone, offsetMinutesAt } from '../../src/formats/time-zone.js';

const offset = (utc: string, zone: string) => {
  const read = parseTimestamp(utc);
  return read === null ? undefined : offsetMinutesAt(read.instant, zone);
};

describe('the offset of a zone', () => {
  // Rules of the IANA time zone database: EU summer time ends on the last Sunday of October at 01:00 UTC,
  // US daylight time begins on the second Sunday of March at 2:00 local time.
  it.each([
    ['2026-10-25T00:59:59.999999Z', 'Europe/London', 60],
    ['2026-10-25T01:00:00Z', 'Europe/London', 0],
    ['2026-10-25T00:30:00Z', 'Europe/Berlin', 120],
    ['2026-03-08T06:59:59Z', 'America/New_York', -300],
    ['2026-03-08T07:00:00Z', 'America/New_York', -240],
    ['2026-01-01T00:00:00Z', 'Asia/Kathmandu', 345],
    ['2026-01-01T00:00:00Z', 'UTC', 0],
    ['0026-03-04T00:00:00Z', 'UTC', 0],
  ])('at %s in %s is %d min', (utc, zone, minutes) => {
    expect(offset(utc, zone)).toBe(minutes);
  });

  it('is unknown for what is no zone', () => {
    for (const name of ['Europe/Atlantis', '+01:00', '', 'x'.repeat(200)]) {
      expect(isTimeZone(name)).toBe(false);
      expect(offset('2026-01-01T00:00:00Z', name)).toBeNull();
    }
  });
});
