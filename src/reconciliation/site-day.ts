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

/**
 * `dayOf` for many instants of one zone: the bounds of each day are worked out once.
 */
export function dayFinder(zone: string): (instant: Instant) => string {
  const known = new Map<number, (Period & { readonly day: string })[]>();
  return (instant) => {
    const utcDay = Math.floor(instant / (DAY_MS * 1000));
    const near = known.get(utcDay) ?? [];
    const found = near.find((d) => instant >= d.from && instant < d.to);
    if (found) return found.day;
    const day = dayOf(instant, zone);
    const period = siteDay(day, zone);
    if (period === null) return day;
    if (known.size > DAYS_KEPT_MAX) known.clear();
    known.set(utcDay, [...near, { day, ...period }]);
    return day;
  };
}

const DAYS_KEPT_MAX = 5000;

/** Where days of a zone begin, each worked out once; null for what is no day. */
export function startFinder(zone: string): (day: string) => Instant | null {
  const known = new Map<string, Instant | null>();
  return (day) => {
    const found = known.get(day);
    if (found !== undefined) return found;
    if (known.size > DAYS_KEPT_MAX) known.clear();
    const start = siteDay(day, zone)?.from ?? null;
    known.set(day, start);
    return start;
  };
}

/** The day after or before a calendar day, `YYYY-MM-DD`. */
export function neighbourDay(day: string, by: 1 | -1): string {
  return new Date(Date.parse(`${day}T00:00:00Z`) + by * DAY_MS).toISOString().slice(0, 10);
}

/** The calendar days a period is made of, when it begins and ends with days of this zone; otherwise null. */
export function daysOfPeriod(period: Period, zone: string): { first: string; last: string } | null {
  if (period.to <= period.from) return null;
  const first = dayOf(period.from, zone);
  const last = dayOf((period.to - 1) as Instant, zone);
  const from = siteDay(first, zone)?.from;
  const to = siteDay(last, zone)?.to;
  return from === period.from && to === period.to ? { first, last } : null;
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

const FORMATTERS = new Map<string, Intl.DateTimeFormat>();

function formatterFor(zone: string): Intl.DateTimeFormat {
  const known = FORMATTERS.get(zone);
  if (known) return known;
  const made = makeFormatter(zone);
  FORMATTERS.set(zone, made);
  return made;
}

function makeFormatter(zone: string): Intl.DateTimeFormat {
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
