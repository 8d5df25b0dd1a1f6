import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { formatInstant, type Instant, parseTimestamp } from '../../src/formats/instant.js';

const utc = (text: string) => {
  const read = parseTimestamp(text);
  return read === null ? null : formatInstant(read.instant);
};

describe('a reported timestamp', () => {
  // RFC 3339 section 5.8 gives the first, second and fourth; the leap seconds there are refused here.
  it.each([
    ['1985-04-12T23:20:50.52Z', '1985-04-12T23:20:50.520000Z'],
    ['1996-12-19T16:39:57-08:00', '1996-12-20T00:39:57.000000Z'],
    ['2026-03-04T09:15:30.123456789+01:00', '2026-03-04T08:15:30.123456Z'],
    ['1937-01-01T12:00:27.87+00:20', '1937-01-01T11:40:27.870000Z'],
    ['2024-02-29T00:00:00+14:00', '2024-02-28T10:00:00.000000Z'],
    ['0001-01-01T00:00:00Z', '0001-01-01T00:00:00.000000Z'],
    ['9999-12-31T23:59:59Z', '9999-12-31T23:59:59.000000Z'],
    ['9999-12-31T23:59:59+05:00', '9999-12-31T18:59:59.000000Z'],
  ])('%s is the instant %s', (text, expected) => {
    expect(utc(text)).toBe(expected);
    expect(parseTimestamp(text)?.reported).toBe(text);
  });

  it.each([
    '1990-12-31T23:59:60Z',
    '2023-02-29T00:00:00Z',
    '1900-02-29T00:00:00Z',
    '2026-04-31T00:00:00Z',
    '2026-13-01T00:00:00Z',
    '2026-01-01T24:00:00Z',
    '2026-01-01T00:00:00',
    '2026-01-01 00:00:00Z',
    '2026-01-01T00:00:00+14:01',
    '2026-01-01T00:00:00+01:60',
    '2026-01-01T00:00Z',
    '2026-01-01T00:00:00.Z',
    '2026-01-01t00:00:00z',
    // RFC 3339 years have four digits: in UTC these lie in the years 10000 and -1.
    '9999-12-31T23:59:59-05:00',
    '0000-01-01T00:00:00+00:01',
    '',
  ])('%j is none', (text) => {
    expect(parseTimestamp(text)).toBeNull();
  });

  it('is the instant of no later year where a double has no digits left for its fraction', () => {
    for (const fraction of ['999', '999999', '999999999']) {
      const text = utc(`9999-12-31T23:59:59.${fraction}Z`) ?? '';
      expect(text).toMatch(/^9999-12-31T23:59:59\.999\d{3}Z$/);
      expect(utc(text)).toBe(text);
    }
  });

  it('comes back from the text of its instant', () => {
    const micros = fc.integer({ min: -2_000_000_000_000_000, max: 4_000_000_000_000_000 });
    fc.assert(
      fc.property(micros, (instant) => {
        expect(parseTimestamp(formatInstant(instant as Instant))?.instant).toBe(instant);
      }),
    );
  });
});
