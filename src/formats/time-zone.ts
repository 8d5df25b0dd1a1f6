import { addMs, formatInstant, type Instant } from './instant.js';

const FORMATS_KEPT = 64;
const formats = new Map<string, Intl.DateTimeFormat | null>();

/** True for a zone of the IANA database; `+01:00` and the like are offsets, not zones. */
export function isTimeZone(name: string): boolean {
  return formatOf(name) !== null;
}

/** Minutes that clocks in a zone run ahead of UTC at an instant; null when the zone is unknown. */
export function offsetMinutesAt(instant: Instant, zone: string): number | null {
  const format = formatOf(zone);
  if (format === null) return null;
  const seconds = Math.floor(instant / 1_000_000);
  const fields = new Map<string, number>();
  for (const { type, value } of format.formatToParts(seconds * 1000))
    fields.set(type, Number(value));
  const part = (name: string): number => fields.get(name) ?? 0;
  // Date.UTC would take the years 0 to 99 for those of the twentieth century.
  const wall = new Date(0);
  wall.setUTCFullYear(part('year'), part('month') - 1, part('day'));
  wall.setUTCHours(part('hour'), part('minute'), part('second'));
  return Math.round((wall.getTime() / 1000 - seconds) / 60);
}

/** An instant as RFC 3339 by the clock of a zone, e.g. `2026-03-04T10:15:30.250000+01:00`; UTC in an unknown one. */
export function formatInZone(instant: Instant, zone: string): string {
  const offset = offsetMinutesAt(instant, zone);
  if (offset === null) return formatInstant(instant);
  const minutes = Math.abs(offset);
  const two = (n: number) => String(n).padStart(2, '0');
  const sign = offset < 0 ? '-' : '+';
  const local = formatInstant(addMs(instant, offset * 60_000)).slice(0, -1);
  return `${local}${sign}${two(Math.floor(minutes / 60))}:${two(minutes % 60)}`;
}

/** Making a format takes longer than using it a thousand times. */
function formatOf(zone: string): Intl.DateTimeFormat | null {
  const known = formats.get(zone);
  if (known !== undefined) return known;
  if (formats.size >= FORMATS_KEPT) formats.clear();
  const made = /^[A-Za-z]/.test(zone) && zone.length <= 100 ? makeFormat(zone) : null;
  formats.set(zone, made);
  return made;
}

function makeFormat(timeZone: string): Intl.DateTimeFormat | null {
  try {
    return new Intl.DateTimeFormat('en-GB', {
      timeZone,
      calendar: 'gregory',
      numberingSystem: 'latn',
      hourCycle: 'h23',
      year: 'numeric',
      month: '2-digit',
      day: '2-digit',
      hour: '2-digit',
      minute: '2-digit',
      second: '2-digit',
    });
  } catch {
    // A RangeError is how the runtime says that it knows no such zone.
    return null;
  }
}
