/**
 * Instants and reported timestamps. An instant is a whole number of microseconds since
 * 1970-01-01T00:00:00Z, the form in which both databases keep it. A timestamp as an instrument
 * reported it is kept as text beside its instant, because the offset it was written with is part of
 * the record.
 */
export type Instant = number & { readonly __brand: 'Instant' };

/** Longest fraction kept: nine digits are accepted, digits past the sixth do not move the instant. */
const TIMESTAMP =
  /^(\d{4})-(\d{2})-(\d{2})T(\d{2}):(\d{2}):(\d{2})(?:\.(\d{1,9}))?(Z|[+-]\d{2}:\d{2})$/;

/**
 * Instants that RFC 3339 can write in UTC. Past the year 2255 a double holds no single microsecond any more: `last` is the
 * greatest one that does not round up to the year 10000.
 */
const YEARS = {
  fromMs: -62_167_219_200_000,
  beforeMs: 253_402_300_800_000,
  last: 253_402_300_800_000_000 - 32,
};

export interface ReportedTimestamp {
  /** The text exactly as reported. */
  readonly reported: string;
  readonly instant: Instant;
  /** Minutes east of UTC; 0 for `Z`. */
  readonly offsetMinutes: number;
}

/**
 * Reads an RFC 3339 date-time with a mandatory offset. Returns null when the text is not one, names a
 * day that does not exist, carries an offset beyond 14 hours, or lies outside the years 0000 to 9999 in UTC, where no
 * RFC 3339 text could give it back. A leap second (`:60`) is refused:
 * no instrument reports one and its instant would be ambiguous.
 */
export function parseTimestamp(text: string): ReportedTimestamp | null {
  const match = TIMESTAMP.exec(text);
  if (!match) return null;
  const [, year, month, day, hour, minute, second, fraction = '', zone = 'Z'] = match;
  const y = Number(year);
  const mo = Number(month);
  const d = Number(day);
  if (mo < 1 || mo > 12 || d < 1 || d > daysInMonth(y, mo)) return null;
  if (Number(hour) > 23 || Number(minute) > 59 || Number(second) > 59) return null;
  const offsetMinutes = parseOffset(zone);
  if (offsetMinutes === null) return null;
  const utc = new Date(0);
  utc.setUTCFullYear(y, mo - 1, d);
  utc.setUTCHours(Number(hour), Number(minute), Number(second), 0);
  const micros = Number(fraction.slice(0, 6).padEnd(6, '0'));
  const millis = utc.getTime() - offsetMinutes * 60_000;
  if (millis < YEARS.fromMs || millis >= YEARS.beforeMs) return null;
  const instant = Math.min(millis * 1000 + micros, YEARS.last);
  return { reported: text, instant: instant as Instant, offsetMinutes };
}

/** Writes an instant as RFC 3339 in UTC with six decimals, e.g. `2026-03-04T09:15:30.250000Z`. */
export function formatInstant(instant: Instant): string {
  const millis = Math.floor(instant / 1000);
  const micros = instant - millis * 1000;
  const iso = new Date(millis).toISOString();
  return `${iso.slice(0, -1)}${String(micros).padStart(3, '0')}Z`;
}

export function addMs(instant: Instant, ms: number): Instant {
  return (instant + Math.round(ms * 1000)) as Instant;
}

/**
 * Whether to wait until an instant that was written down earlier. What lies further ahead than any such wait may last was
 * written by a clock that has gone back since: it would be waited for as long as that clock was ahead.
 */
export function isStillToCome(until: Instant, now: Instant, longestMs: number): boolean {
  return until > now && until <= addMs(now, longestMs);
}

export function msBetween(from: Instant, to: Instant): number {
  return (to - from) / 1000;
}

export function instantFromMillis(ms: number): Instant {
  return Math.round(ms * 1000) as Instant;
}

function parseOffset(zone: string): number | null {
  if (zone === 'Z') return 0;
  const hours = Number(zone.slice(1, 3));
  const minutes = Number(zone.slice(4, 6));
  if (minutes > 59 || hours * 60 + minutes > 14 * 60) return null;
  return (zone.startsWith('-') ? -1 : 1) * (hours * 60 + minutes);
}

function daysInMonth(year: number, month: number): number {
  if (month === 2) return (year % 4 === 0 && year % 100 !== 0) || year % 400 === 0 ? 29 : 28;
  return [4, 6, 9, 11].includes(month) ? 30 : 31;
}
