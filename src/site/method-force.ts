import { addMs, formatInstant, type Instant, parseTimestamp } from '../formats/instant.js';
import type { InstantSpan, Method, MethodApproval } from './site-folder.js';

/** Earliest and latest instant at which a result can have been measured; both count. */
export interface MeasuredSpan {
  readonly from: Instant;
  readonly to: Instant;
}

/** Clocks on land run from 12 h behind UTC to 14 h ahead of it (time zone database; from memory). */
const HOURS_BEHIND_MAX = 12;
const HOURS_AHEAD_MAX = 14;
const HOUR_MS = 3_600_000;

/**
 * When a result was measured, with the doubt of its offset (rule 30). An offset that instrument or sync PC stated
 * is believed. One that was assumed leaves the reading of the clock alone certain, and every offset in use possible, but
 * for those by which it would have been measured after its bundle had come.
 *
 * @param reported as the bundle has it; null when unreadable
 * @param source of the offset; null when unknown, which is as good as assumed
 * @param takenIn when its bundle came, by our clock; null where that is not known
 */
export function measuredSpan(
  instant: Instant,
  reported: string | null,
  source: string | null,
  takenIn: Instant | null = null,
): MeasuredSpan {
  if (source === 'instrument' || source === 'sync-pc') return { from: instant, to: instant };
  const offsetMinutes = reported === null ? null : parseTimestamp(reported)?.offsetMinutes;
  if (offsetMinutes === null || offsetMinutes === undefined) {
    const widest = (HOURS_BEHIND_MAX + HOURS_AHEAD_MAX) * HOUR_MS;
    return endingBy(takenIn, instant, {
      from: addMs(instant, -widest),
      to: addMs(instant, widest),
    });
  }
  const wall = addMs(instant, offsetMinutes * 60_000);
  return endingBy(takenIn, instant, {
    from: addMs(wall, -HOURS_AHEAD_MAX * HOUR_MS),
    to: addMs(wall, HOURS_BEHIND_MAX * HOUR_MS),
  });
}

/** Where the stated time lies behind it one of the clocks was wrong, and nobody knows which: that ends nothing. */
function endingBy(takenIn: Instant | null, stated: Instant, span: MeasuredSpan): MeasuredSpan {
  if (takenIn === null || takenIn >= span.to || takenIn < stated) return span;
  return { from: span.from, to: takenIn };
}

/**
 * Why a version was not in force throughout the span in which a result was measured; null when it was. That it was
 * found wrong is another matter, see `isInvalidated`.
 */
export function whyNotInForce({ force }: Method, span: MeasuredSpan): string | null {
  if (force === undefined) return null;
  const { effectiveFrom, retiredAt, absent } = force;
  if (effectiveFrom !== null && span.from < effectiveFrom) {
    return `is in force from ${formatInstant(effectiveFrom)} on`;
  }
  if (retiredAt !== null && span.to >= retiredAt) {
    return `was retired at ${formatInstant(retiredAt)}`;
  }
  const away = absent.find((gap) => overlaps(gap, span));
  if (away !== undefined) return `was not in the site folder ${spanText(away)}`;
  return null;
}

/** True once it was found wrong: nothing that was measured by it counts any more. */
export function isInvalidated({ force }: Method): boolean {
  return force !== undefined && force.invalidatedAt !== null;
}

/** The approval for a material that was in force throughout the span; null when there is none. */
export function approvalFor(
  method: Method,
  material: string | null,
  span: MeasuredSpan,
): MethodApproval | null {
  const counts = ({ effectiveFrom, endsAt }: MethodApproval) =>
    (effectiveFrom === undefined || effectiveFrom <= span.from) &&
    (endsAt === undefined || span.to < endsAt);
  return method.approvals.find((a) => a.material === material && counts(a)) ?? null;
}

/** True when an approval for the material was in force; of a time nobody can read, when there is any. */
export function isApproved(method: Method, material: string, span: MeasuredSpan | null): boolean {
  if (span !== null) return approvalFor(method, material, span) !== null;
  return method.approvals.some((approval) => approval.material === material);
}

/** Materials a method was approved for, in words. */
export function approvedFor(method: Method, span: MeasuredSpan | null): string {
  const materials = method.approvals.map((approval) => approval.material);
  return [...new Set(materials)].filter((m) => isApproved(method, m, span)).join(', ') || 'none';
}

/** Versions of a method that were in force throughout a span and were not found wrong, as they are listed. */
export function versionsInForce(
  methods: readonly Method[],
  id: string,
  span: MeasuredSpan,
): readonly Method[] {
  return methods.filter((m) => m.id === id && !isInvalidated(m) && whyNotInForce(m, span) === null);
}

/** From its first to its last day, whatever lies between; null for a version without dates. */
export function forceSpan({ force }: Pick<Method, 'force'>): InstantSpan | null {
  if (force === undefined) return null;
  const { effectiveFrom, retiredAt } = force;
  return effectiveFrom === null && retiredAt === null
    ? null
    : { from: effectiveFrom, to: retiredAt };
}

/** True when two half-open spans share an instant. */
export function spansMeet(a: InstantSpan, b: InstantSpan): boolean {
  const startsBefore = (x: InstantSpan, y: InstantSpan) =>
    x.from === null || y.to === null || x.from < y.to;
  return startsBefore(a, b) && startsBefore(b, a);
}

/** `from … to …` in words. */
export function spanText({ from, to }: InstantSpan): string {
  const begin = from === null ? 'since ever' : `from ${formatInstant(from)}`;
  return to === null ? `${begin} on` : `${begin} to ${formatInstant(to)}`;
}

function overlaps(gap: InstantSpan, { from, to }: MeasuredSpan): boolean {
  return (gap.from === null || gap.from <= to) && (gap.to === null || from < gap.to);
}
