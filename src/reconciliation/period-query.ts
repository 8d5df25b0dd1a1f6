import { type Instant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { type Period, siteDay } from './site-day.js';

/**
 * A period as an address names it: days of the site's zone (the first and the last), or instants.
 *
 * @throws Problem `query-invalid` that names the end
 */
export function readPeriod(
  from: string | undefined,
  to: string | undefined,
  timeZone: string,
): Period {
  return {
    from: siteDay(from ?? '', timeZone)?.from ?? instant('from', from),
    to: siteDay(to ?? '', timeZone)?.to ?? instant('to', to),
  };
}

function instant(name: string, text: string | undefined): Instant {
  const parsed = parseTimestamp(text ?? '');
  if (parsed) return parsed.instant;
  throw new Problem(
    'query-invalid',
    `${name}: expected a day (2026-11-25) or an RFC 3339 date-time with offset`,
  );
}
