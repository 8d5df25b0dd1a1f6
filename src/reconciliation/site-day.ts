import { type Instant, instantFromMillis } from '../formats/instant.js';

const DAY_MS = 86_400_000;

export interface Period {
  readonly from: Instant;
  /** Exclusive. */
  readonly to: Instant;
}

/**
 * Bounds of a calendar day (`YYYY-MM-DD`) in an IANA zone: 23 to 25 hours long. null when the text is no
 * day. Where midnight does not exist the day begins at the first instant that does.
 */
export function siteDay(day: string, zone: string): Period | null {
  const match = /^(\d{4})-(\d{2})-(\d{2})$/u.exec(day);
  if (!match) return null;
  const midnight = Date.UTC(Number(match[1]), Number(match[2]) - 1, Number(match[3]));
  if (new Date(midnight).toISOString().slice(0, 10) !== day) return null;
  const next = new Date(midnight + DAY_MS).toISOString().slice(0, 10);
  return {
    from: instantFromMillis(startOf(day, midnight, zone)),
    to: instantFromMillis(startOf(next, midnight + DAY_MS, zone)),
  };
}

/** The calendar day an instant falls on in a zone. */
export function dayOf(instant: Instant, zone: string): string {
  return localDay(Math.floor(instant / 1000), formatterFor(zone));
}

/** First millisecond whose local date is `day`: halving between a day before and a day after. */
function startOf(day: string, utcMidnight: number, zone: string): number {
  const format = formatterFor(zone);
  let before = utcMidnight - DAY_MS;
  let after = utcMidnight + DAY_MS;
  while (after - before > 1) {
    const middle = Math.floor((before + after) / 2);
    if (localDay(middle, format) < day) before = middle;
    else after = middle;
  }
  return after;
}

function formatterFor(zone: string): Intl.DateTimeFormat {
  return new Intl.DateTimeFormat('en-CA', {
    timeZone: zone,
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
    calendar: 'gregory',
    numberingSystem: 'latn',
  });
}

function localDay(millis: number, format: Intl.DateTimeFormat): string {
  const part = new Map(format.formatToParts(millis).map((p) => [p.type, p.value]));
  return `${part.get('year')}-${part.get('month')}-${part.get('day')}`;
}
