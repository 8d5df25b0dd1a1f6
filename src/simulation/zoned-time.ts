import type { Instant } from '../formats/instant.js';
import { offsetMinutesAt } from '../formats/time-zone.js';

/**
 * Writes an instant as a clock in `zone` shows it, to the millisecond and with its offset:
 * `2026-07-04T10:15:30.250+01:00`. Throws a RangeError for a zone that is not in the IANA database.
 */
export function formatInZone(instant: Instant, zone: string): string {
  const offset = offsetMinutesAt(instant, zone);
  if (offset === null) throw new RangeError(`no offset known for ${zone}`);
  const local = new Date(Math.floor(instant / 1000) + offset * 60_000).toISOString().slice(0, -1);
  const size = Math.abs(offset);
  const hours = String(Math.floor(size / 60)).padStart(2, '0');
  return `${local}${offset < 0 ? '-' : '+'}${hours}:${String(size % 60).padStart(2, '0')}`;
}
