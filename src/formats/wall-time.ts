import { addMs, formatInstant, type Instant, parseTimestamp } from './instant.js';
import { formatInZone, offsetMinutesAt } from './time-zone.js';

export type WallTimeRead =
  /** RFC 3339 with the offset that clocks of the zone had. */
  { readonly ok: true; readonly text: string } | { readonly ok: false; readonly message: string };

const WALL_TIME = /^(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})(?::(\d{2}))?$/;
const DAY_MS = 86_400_000;

/**
 * Reads date and time without an offset as clocks of a zone showed them, `2026-03-04T09:15` or with seconds, `T` or a
 * blank between. Refused: an hour that clocks skip in spring, and one that they show twice in autumn, because nothing
 * says which of the two was meant.
 */
export function readWallTime(text: string, zone: string): WallTimeRead {
  const [, day, minute, second = '00'] = WALL_TIME.exec(text) ?? [];
  const asUtc = day === undefined ? null : parseTimestamp(`${day}T${minute}:${second}Z`);
  if (asUtc === null) {
    return {
      ok: false,
      message: `found "${text.slice(0, 60)}", expected date and time without an offset as in 2026-03-04T09:15:00`,
    };
  }
  const instants = possibleInstants(asUtc.instant, zone);
  const [instant, other] = instants;
  if (instant === undefined) {
    return { ok: false, message: `clocks in ${zone} skip ${text}; there is no such time` };
  }
  if (other !== undefined) {
    return {
      ok: false,
      message: `clocks in ${zone} show ${text} twice, at ${formatInstant(instant)} and ${formatInstant(other)}`,
    };
  }
  return { ok: true, text: formatInZone(instant, zone) };
}

/** Instants at which clocks of the zone show this, in order: none, one or two. */
function possibleInstants(asUtc: Instant, zone: string): Instant[] {
  const offsets = [-DAY_MS, 0, DAY_MS].map((ms) => offsetMinutesAt(addMs(asUtc, ms), zone));
  return [...new Set(offsets)]
    .flatMap((offset) => {
      if (offset === null) return [];
      const instant = addMs(asUtc, -offset * 60_000);
      return offsetMinutesAt(instant, zone) === offset ? [instant] : [];
    })
    .sort((a, b) => a - b);
}
