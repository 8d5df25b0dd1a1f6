import { type Instant, parseTimestamp, type ReportedTimestamp } from './instant.js';

const STAMP = /^(\d{4})(\d{2})(\d{2})(\d{2})(\d{2})(\d{2})([+-])(\d{2})(\d{2})$/;
const SECOND = 1_000_000;

/**
 * The date stamp of ASTM E1947: `YYYYMMDDhhmmss±hhmm`, local time and its offset from UTC. It has no
 * fractions of a second, so they are cut off here and have to be kept elsewhere.
 */
export function dateStamp(timestamp: ReportedTimestamp): string {
  const { instant, offsetMinutes } = timestamp;
  const local = Math.floor(instant / SECOND) * 1000 + offsetMinutes * 60_000;
  const digits = new Date(local).toISOString().replace(/\..*$/, '').replace(/[-T:]/g, '');
  const minutes = Math.abs(offsetMinutes);
  const sign = offsetMinutes < 0 ? '-' : '+';
  return `${digits}${sign}${two(Math.floor(minutes / 60))}${two(minutes % 60)}`;
}

/** The instant and the RFC 3339 form of a stamp; null for one without offset, with `Z`, or of no such day. */
export function readDateStamp(stamp: string): { instant: Instant; reported: string } | null {
  const found = STAMP.exec(stamp);
  if (found === null) return null;
  const [, year, month, day, hour, minute, second, sign, hours, minutes] = found;
  const text = `${year}-${month}-${day}T${hour}:${minute}:${second}${sign}${hours}:${minutes}`;
  const parsed = parseTimestamp(text);
  return parsed && { instant: parsed.instant, reported: text };
}

function two(value: number): string {
  return String(value).padStart(2, '0');
}
