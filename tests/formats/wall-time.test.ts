import { describe, expect, it } from 'vitest';
import { readWallTime } from '../../src/formats/wall-time.js';

const read = (text: string, zone = 'Europe/London') => readWallTime(text, zone);

// Clock changes of the IANA time zone database: London 2026-03-29 and 2026-10-25 at 01:00 UTC, Kolkata none.
describe('a time by the clocks of a zone', () => {
  it.each([
    ['2026-01-12T07:40', 'Europe/London', '2026-01-12T07:40:00.000000+00:00'],
    ['2026-07-06 08:15:30', 'Europe/London', '2026-07-06T08:15:30.000000+01:00'],
    ['2026-03-29T00:59:59', 'Europe/London', '2026-03-29T00:59:59.000000+00:00'],
    ['2026-03-29T02:00', 'Europe/London', '2026-03-29T02:00:00.000000+01:00'],
    ['2026-10-25T02:00', 'Europe/London', '2026-10-25T02:00:00.000000+00:00'],
    ['2026-07-06T08:15', 'Asia/Kolkata', '2026-07-06T08:15:00.000000+05:30'],
  ])('%s in %s is %s', (text, zone, expected) => {
    expect(read(text, zone)).toEqual({ ok: true, text: expected });
  });

  it('is refused in the hour that clocks skip, and in the one that they show twice', () => {
    expect(read('2026-03-29T01:30')).toMatchObject({ ok: false, message: /skip/ });
    const twice = read('2026-10-25T01:30');
    expect(twice).toMatchObject({ ok: false });
    if (twice.ok) return;
    expect(twice.message).toContain('2026-10-25T00:30:00.000000Z and 2026-10-25T01:30:00.000000Z');
  });

  it.each(['2026-02-30T10:00', '2026-07-06', '2026-07-06T08:15+01:00', '06.07.2026 08:15', ''])(
    'is no other text: %s',
    (text) => {
      expect(read(text)).toMatchObject({ ok: false });
    },
  );
});
