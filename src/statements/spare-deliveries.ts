import { type Assessment, answersForContainer } from './assess-evidence.js';
import type { DeliveryFact, StatementFacts } from './facts.js';

/** On its way, with nothing known against it. */
const UNDER_WAY: readonly DeliveryFact['state'][] = [
  'due',
  'building',
  'sending',
  'accepted',
  'uncertain',
];

/**
 * Deliveries of passing results that the statement does not rest on: another result answers for their container and is
 * confirmed wherever the site requires it. While such a delivery is on its way without a fault it
 * takes nothing from the statement; otherwise measuring a drum once more after a *conforms* would suspend the
 * receipt for the second that the delivery takes. Once it is rejected, parked or found to differ it counts
 * like any other, also when a person has it sent again.
 */
export function spareDeliveries(
  facts: StatementFacts,
  assessment: Assessment,
): ReadonlySet<string> {
  const required = facts.site.destinations.filter((d) => d.requiredForStatement).map((d) => d.name);
  const byResult = new Map<string, DeliveryFact[]>();
  for (const delivery of currentDeliveries(facts)) {
    const known = byResult.get(delivery.resultRowId);
    if (known) known.push(delivery);
    else byResult.set(delivery.resultRowId, [delivery]);
  }
  const isConfirmed = (rowId: string) =>
    required.every((name) =>
      byResult.get(rowId)?.some((d) => d.destination === name && d.state === 'confirmed'),
    );
  const spare = new Set<string>();
  for (const passes of assessment.passesByContainer.values()) {
    const standing = passes.find((p) => answersForContainer(p) && isConfirmed(p.result.rowId));
    if (!standing) continue;
    for (const { result } of passes) {
      if (result.rowId === standing.result.rowId || result.state !== 'accepted') continue;
      for (const delivery of byResult.get(result.rowId) ?? []) {
        const isSpare = delivery.fault === null && !delivery.isSentAgain;
        if (isSpare && UNDER_WAY.includes(delivery.state)) spare.add(delivery.deliveryId);
      }
    }
  }
  return spare;
}

/**
 * Of each result and destination, what was sent of its latest revision there. Of an accepted result nothing older than it
 * stands at now: a destination that was away meanwhile shows it at another place.
 */
export function currentDeliveries({
  results,
  deliveries,
}: Pick<StatementFacts, 'results' | 'deliveries'>): DeliveryFact[] {
  const standing = new Map(
    results.filter((r) => r.state === 'accepted').map((r) => [r.rowId, r.revision]),
  );
  const latest = new Map<string, DeliveryFact>();
  for (const delivery of deliveries) {
    if (delivery.subjectKind !== 'result') continue;
    if (delivery.resultRevision < (standing.get(delivery.resultRowId) ?? 1)) continue;
    const key = `${delivery.resultRowId} ${delivery.destination}`;
    const known = latest.get(key);
    if (known === undefined || known.resultRevision <= delivery.resultRevision) {
      latest.set(key, delivery);
    }
  }
  return [...latest.values()];
}
