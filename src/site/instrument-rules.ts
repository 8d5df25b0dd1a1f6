import { type KnownIds, unknownDecision, unknownId } from './known-ids.js';
import { instantFaults, spanFaults } from './method-date-rules.js';
import type { DocumentPath, RuleFault } from './site-fault.js';
import type { InstrumentEntry } from './site-file.js';

/** Area and times in service of one instrument. */
export function instrumentFaults(
  instrument: InstrumentEntry,
  index: number,
  known: KnownIds,
): RuleFault[] {
  const at = (...rest: DocumentPath): DocumentPath => ['instruments', index, ...rest];
  return [
    ...unknownId(known.areas, instrument.area, at('area'), 'area'),
    ...instantFaults(instrument, ['inServiceSince'], at()),
    ...(instrument.outOfService ?? []).flatMap((span, entry) => [
      ...spanFaults(
        span,
        ['from', 'to'],
        at('outOfService', entry),
        `a span out of service of ${instrument.serial}`,
      ),
      ...unknownDecision(
        known,
        span.decision,
        at('outOfService', entry, 'decision'),
        'instrument-out-of-service',
      ),
    ]),
  ];
}
