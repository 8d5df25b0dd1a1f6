import { formatInstant, type Instant } from '../formats/instant.js';
import { type MeasuredSpan, spanText } from './method-force.js';
import type { InstantSpan, Instrument } from './site-folder.js';

/**
 * That an instrument was in service in an area by the site folder that was in force then. What another folder says
 * later about that time is the word of whoever edited a file (rule 11).
 */
export interface KnownService {
  readonly serial: string;
  readonly area: string;
  /** `SINCE_EVER` where nothing is known of a time before. */
  readonly from: Instant;
  /** Exclusive; null while the folder in force says so. */
  readonly to: Instant | null;
}

export const SINCE_EVER = 0 as Instant;

/** What is known of the service of instruments once another folder has come into force at an instant. */
export function knownServiceFrom(
  known: readonly KnownService[],
  instruments: readonly Instrument[],
  at: Instant,
): KnownService[] {
  const stated = instruments.flatMap((instrument) => serviceStated(instrument, at));
  const goesOn = new Set<KnownService>();
  const before = known.flatMap((span) => {
    if (span.to !== null && span.to <= at) return [span];
    if (span.from >= at) return [];
    const next = stated.find(
      ({ serial, area, from }) => serial === span.serial && area === span.area && from === at,
    );
    if (next === undefined) return [{ ...span, to: at }];
    goesOn.add(next);
    return [{ ...span, to: next.to }];
  });
  return [...before, ...stated.filter((span) => !goesOn.has(span))];
}

/** Where an instrument is or was, and when. */
export type InstrumentPlace = Pick<KnownService, 'area' | 'from' | 'to'>;

/** The places of registered instruments by serial: where the folder has them, and where they were in service before. */
export function instrumentPlaces(
  instruments: readonly Instrument[],
  known: readonly KnownService[],
): ReadonlyMap<string, readonly InstrumentPlace[]> {
  return new Map(
    instruments.map(({ serial, area }) => [
      serial,
      [{ area, from: SINCE_EVER, to: null }, ...known.filter((span) => span.serial === serial)],
    ]),
  );
}

/** When an instrument is in service by its folder, from an instant on. */
function serviceStated(instrument: Instrument, at: Instant): KnownService[] {
  const { serial, area, inService, inServiceSince, outOfService = [] } = instrument;
  if (!inService) return [];
  const spans: KnownService[] = [];
  let from: number = Math.max(at, inServiceSince ?? at);
  for (const gap of [...outOfService].sort((a, b) => a.from - b.from)) {
    if (gap.from > from) spans.push({ serial, area, from: from as Instant, to: gap.from });
    from = Math.max(from, gap.to ?? Number.POSITIVE_INFINITY);
  }
  return from === Number.POSITIVE_INFINITY
    ? spans
    : [...spans, { serial, area, from: from as Instant, to: null }];
}

/**
 * The last instant of a window at which an instrument was in service; null when it was in service at none of them.
 * An instrument that went out of service within the window may still hold what it measured before (rule 11): it
 * has to be heard of past that instant, and one that came later has nothing to be heard of.
 *
 * @param from null: since ever
 */
export function lastInService(
  instrument: Pick<Instrument, 'inService' | 'inServiceSince' | 'outOfService'>,
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
