import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { ageText, moment, momentOf } from '../../src/dashboard/local-time.js';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { at } from './sample-views.js';

describe('moment', () => {
  // Transition dates: Directive 2000/84/EC (last Sunday of March and October, 01:00 UTC) and the matching
  // rules of the IANA time zone database for Europe/London, from memory.
  test('shows both passes of the repeated autumn hour apart by their offset', () => {
    expect(moment(at('2026-10-25T00:30:00Z'), 'Europe/London').text).toBe(
      '2026-10-25 01:30:00 UTC+01:00',
    );
    expect(moment(at('2026-10-25T01:30:00Z'), 'Europe/London').text).toMatch(
      /^2026-10-25 01:30:00 UTC(\+00:00)?$/,
    );
  });

  test('keeps half-hour and negative offsets', () => {
    expect(moment(at('2026-01-05T12:00:00Z'), 'Asia/Kolkata').text).toBe(
      '2026-01-05 17:30:00 UTC+05:30',
    );
    expect(moment(at('2026-01-05T02:00:00Z'), 'America/New_York').text).toBe(
      '2026-01-04 21:00:00 UTC-05:00',
    );
  });

  test('says midnight as 00, and never loses the instant', () => {
    expect(moment(at('2026-01-05T00:00:00Z'), 'Europe/London').text).toContain(' 00:00:00 ');
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 4_000_000_000 }), (seconds) => {
        const instant = addMs(at('1970-01-01T00:00:00Z'), seconds * 1000);
        const shown = moment(instant, 'Europe/London');
        expect(shown.iso).toBe(formatInstant(instant));
        const offset = shown.text.slice(20).replace('UTC', '') || 'Z';
        expect(at(`${shown.text.slice(0, 10)}T${shown.text.slice(11, 19)}${offset}`)).toBe(instant);
      }),
    );
  });

  test('shows text that is no timestamp as it is', () => {
    expect(momentOf('yesterday', 'Europe/London')).toEqual({ iso: 'yesterday', text: 'yesterday' });
  });
});

describe('ageText', () => {
  test.each([
    [0, '0 s'],
    [59_999, '59 s'],
    [60_000, '1 min'],
    [3_599_000, '59 min'],
    [3_600_000, '1 h 0 min'],
    [86_399_000, '23 h 59 min'],
    [90_000_000, '1 d 1 h'],
    [-5_000, '0 s'],
  ])('says %d ms as %s', (ms, expected) => {
    const from = at('2026-06-04T09:00:00Z');
    expect(ageText(from, addMs(from, ms))).toBe(expected);
  });
});
