import { formatInstant, type Instant } from '../formats/instant.js';
import { type MeasuredSpan, spanText } from './method-force.js';
import type { InstantSpan, Instrument } from './site-folder.js';

/**
 * The last instant of a window at which an instrument was in service; null when it was in service at none of them.
 * An instrument that went out of service within the window may still hold what it measured before (rule 11): it
 * has to be heard of past that instant, and one that came later has nothing to be heard of.
 *
 * @param from null: since ever
 */
export function lastInService(
  instrument: Instrument,
  from: Instant | null,
  until: Instant,
): Instant | null {
  if (!instrument.inService) return null;
  let last = until;
  // From the latest span back: each that covers what is left so far moves the end before its own beginning.
  const gaps = [...(instrument.outOfService ?? [])].sort((a, b) => b.from - a.from);
  for (const gap of gaps) {
    if (gap.from <= last && (gap.to === null || last < gap.to)) last = (gap.from - 1) as Instant;
  }
  const first = Math.max(
    from ?? Number.NEGATIVE_INFINITY,
    instrument.inServiceSince ?? Number.NEGATIVE_INFINITY,
  );
  return last < first ? null : last;
}

/** Why an instrument was not in service throughout a span; null when it was. */
export function whyNotInService(instrument: Instrument, span: MeasuredSpan): string | null {
  if (!instrument.inService) return 'is registered as out of service';
  const { inServiceSince, outOfService = [] } = instrument;
  if (inServiceSince !== undefined && span.from < inServiceSince) {
    return `is registered as in service from ${formatInstant(inServiceSince)} on`;
  }
  const gap = outOfService.find((one) => meets(one, span));
  return gap === undefined ? null : `is registered as out of service ${spanText(gap)}`;
}

function meets({ from, to }: InstantSpan, span: MeasuredSpan): boolean {
  return (from === null || from <= span.to) && (to === null || span.from < to);
}
