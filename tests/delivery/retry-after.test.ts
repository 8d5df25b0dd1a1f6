import { describe, expect, it } from 'vitest';
import { RETRY_AFTER_MAX_MS, retryAfterMs } from '../../src/delivery/retry-after.js';
import { instantFromMillis } from '../../src/formats/instant.js';

// Dates: the three forms of RFC 9110 §5.6.7, which shows this very moment.
const SHOWN = Date.UTC(1994, 10, 6, 8, 49, 37);
const TEN_SECONDS_BEFORE = instantFromMillis(SHOWN - 10_000);

describe('retryAfterMs', () => {
  it.each([
    ['delay in seconds (RFC 9110 §10.2.3)', '120', 120_000],
    ['zero', '0', 0],
    ['blanks around it', ' 5 ', 5_000],
    ['IMF-fixdate', 'Sun, 06 Nov 1994 08:49:37 GMT', 10_000],
    ['obsolete RFC 850 date', 'Sunday, 06-Nov-94 08:49:37 GMT', 10_000],
    ['asctime date', 'Sun Nov  6 08:49:37 1994', 10_000],
    ['huge delay, cut', '1000000000', RETRY_AFTER_MAX_MS],
    ['fifteen digits, cut', '999999999999999', RETRY_AFTER_MAX_MS],
    ['far date, cut', 'Mon, 06 Nov 2094 08:49:37 GMT', RETRY_AFTER_MAX_MS],
  ])('reads a %s', (_, header, expected) => {
    expect(retryAfterMs(header, TEN_SECONDS_BEFORE)).toBe(expected);
  });

  it.each([
    ['a missing header', null],
    ['an empty one', ''],
    ['a negative delay', '-5'],
    ['a fraction', '1.5'],
    ['words', 'soon'],
    ['a date in the past', 'Sun, 06 Nov 1994 08:49:26 GMT'],
    ['a day that does not exist', 'Wed, 31 Feb 2094 08:49:37 GMT'],
    ['another zone', 'Sun, 06 Nov 1994 08:49:37 CET'],
    ['sixteen digits', '1234567890123456'],
  ])('ignores %s', (_, header) => {
    expect(retryAfterMs(header, TEN_SECONDS_BEFORE)).toBeNull();
  });

  it('reads a two-digit year that would lie over fifty years ahead as the past century', () => {
    const in2026 = instantFromMillis(Date.UTC(2026, 0, 1));
    expect(retryAfterMs('Sunday, 06-Nov-94 08:49:37 GMT', in2026)).toBeNull();
  });
});
