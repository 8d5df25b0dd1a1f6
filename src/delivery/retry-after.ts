import type { Instant } from '../formats/instant.js';

/** A destination may ask us to wait, but not for ever: longer waits are cut to this. */
export const RETRY_AFTER_MAX_MS = 900_000;

const MONTHS = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'];
const CLOCK = '(\\d{2}):(\\d{2}):(\\d{2})';
const IMF_FIXDATE = new RegExp(
  `^(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), (\\d{2}) ([A-Z][a-z]{2}) (\\d{4}) ${CLOCK} GMT$`,
);
const RFC_850 = new RegExp(
  `^(?:Mon|Tues|Wednes|Thurs|Fri|Satur|Sun)day, (\\d{2})-([A-Z][a-z]{2})-(\\d{2}) ${CLOCK} GMT$`,
);
const ASCTIME = new RegExp(
  `^(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) ([A-Z][a-z]{2}) ([ \\d]\\d) ${CLOCK} (\\d{4})$`,
);

/**
 * Milliseconds a `Retry-After` asks us to wait, between 0 and `RETRY_AFTER_MAX_MS`. Null when the header
 * is missing, unreadable or a date that is not in the future.
 *
 * Source: RFC 9110 §10.2.3 (delay in seconds or HTTP-date) and §5.6.7 (the three date forms a recipient
 * accepts).
 */
export function retryAfterMs(header: string | null, now: Instant): number | null {
  const text = header?.trim() ?? '';
  if (/^\d{1,15}$/.test(text)) return Math.min(Number(text) * 1000, RETRY_AFTER_MAX_MS);
  const millis = parseHttpDate(text, now);
  if (millis === null) return null;
  const wait = millis - now / 1000;
  return wait > 0 ? Math.min(Math.ceil(wait), RETRY_AFTER_MAX_MS) : null;
}

function parseHttpDate(text: string, now: Instant): number | null {
  const fixed = IMF_FIXDATE.exec(text);
  if (fixed) return utc(fixed[3], fixed[2], fixed[1], fixed.slice(4, 7));
  const old = RFC_850.exec(text);
  if (old) return utc(String(fullYear(Number(old[3]), now)), old[2], old[1], old.slice(4, 7));
  const asctime = ASCTIME.exec(text);
  return asctime ? utc(asctime[6], asctime[1], asctime[2], asctime.slice(3, 6)) : null;
}

/** A two-digit year more than 50 years ahead means the past century (RFC 9110 §5.6.7). */
function fullYear(twoDigits: number, now: Instant): number {
  const thisYear = new Date(now / 1000).getUTCFullYear();
  const year = thisYear - (thisYear % 100) + twoDigits;
  return year > thisYear + 50 ? year - 100 : year;
}

function utc(
  year: string | undefined,
  month: string | undefined,
  day: string | undefined,
  clock: readonly string[],
): number | null {
  const monthIndex = MONTHS.indexOf(month ?? '');
  const [hour, minute, second] = clock.map(Number);
  if (monthIndex < 0 || hour === undefined || minute === undefined || second === undefined)
    return null;
  if (hour > 23 || minute > 59 || second > 60) return null;
  const dayOfMonth = Number(day);
  const date = new Date(Date.UTC(Number(year), monthIndex, dayOfMonth));
  if (date.getUTCDate() !== dayOfMonth) return null;
  return date.getTime() + ((hour * 60 + minute) * 60 + second) * 1000;
}
