import { formatInstant, type Instant } from '../formats/instant.js';
import { labelHint } from '../receipts/near-miss.js';
import { scopeCovers } from '../reconciliation/discrepancies.js';
import type { Condition, EvidenceReference } from '../records/statement-record.js';
import { instrumentPlaces } from '../site/instrument-service.js';
import type { ResultState } from '../storage/tables.js';
import { proposalSubjects } from './attribution.js';
import { condition, metUnless, named } from './condition.js';
import { isReviewVoid, measuringInstruments } from './covering-result.js';
import type {
  DeliveryFact,
  DiscrepancyFact,
  ReceiptFacts,
  ResultFact,
  StatementFacts,
  StopFact,
} from './facts.js';
import { currentDeliveries } from './spare-deliveries.js';

/**
 * Rules 14 and 17: every accepted result is confirmed, as it is now, where the site requires it; never the statement's own.
 * What was superseded or held must not still be on its way, and its withdrawal must have arrived; nor may any destination
 * of the folder hold what it was never told to withdraw (rule 25).
 *
 * @param spare see `spareDeliveries`
 */
export function deliveriesConfirmed(facts: StatementFacts, spare: ReadonlySet<string>): Condition {
  const code = 'deliveries-confirmed';
  const required = facts.site.destinations.filter((d) => d.requiredForStatement).map((d) => d.name);
  if (required.length === 0) return condition(code, 'unmet', 'the site requires no destination');
  const accepted = facts.results.filter((r) => r.state === 'accepted').length;
  if (accepted === 0) return condition(code, 'unmet', 'no accepted result to confirm');
  const against: string[] = [];
  const evidence: EvidenceReference[] = [];
  const byPlace = new Map(
    currentDeliveries(facts).map((d) => [`${d.resultRowId} ${d.destination}`, d]),
  );
  for (const result of facts.results) {
    for (const destination of required) {
      const delivery = byPlace.get(`${result.rowId} ${destination}`);
      if (isSettled(result.state, delivery) || (delivery && spare.has(delivery.deliveryId)))
        continue;
      const missing =
        result.revision > 1 ? `revision ${result.revision} was never sent` : 'no delivery';
      against.push(`result ${result.resultId} at ${destination}: ${delivery?.state ?? missing}`);
      if (delivery) evidence.push({ kind: 'delivery', id: delivery.deliveryId });
    }
  }
  for (const delivery of facts.deliveries) {
    if (delivery.subjectKind !== 'withdrawal' || delivery.state === 'confirmed') continue;
    if (!required.includes(delivery.destination)) continue;
    against.push(`withdrawal ${delivery.deliveryId} at ${delivery.destination}: ${delivery.state}`);
    evidence.push({ kind: 'delivery', id: delivery.deliveryId });
  }
  const ofFolder = new Set(facts.site.destinations.map(({ name }) => name));
  for (const { deliveryId, destination, resultId, revision } of facts.untold ?? []) {
    if (!ofFolder.has(destination)) continue;
    against.push(
      `${destination} has revision ${revision} of result ${resultId}, which does not stand any more, and was never told`,
    );
    evidence.push({ kind: 'delivery', id: deliveryId });
  }
  return metUnless(code, against, `${accepted} results confirmed at ${required.join(' and ')}`, {
    evidence,
  });
}

function isSettled(state: ResultState, delivery: DeliveryFact | undefined): boolean {
  if (delivery?.state === 'confirmed') return true;
  const takenBack = delivery?.state === 'cancelled' || delivery?.state === 'superseded';
  switch (state) {
    case 'accepted':
      return false;
    case 'superseded':
      return takenBack;
    case 'held':
    case 'refused':
      return delivery === undefined || takenBack;
  }
}

/** Scans compared with every label of the receipt; more are not shown anyway. */
const HINTS_MAX = 5;

/** Rules 8, 10 and 16: nothing open of this receipt, and no unowned evidence that could be its own. */
export function noOpenDiscrepancy(
  facts: StatementFacts,
  receipt: ReceiptFacts,
  spare: ReadonlySet<string>,
): Condition {
  const against: string[] = [];
  const evidence: EvidenceReference[] = [];
  for (const discrepancy of facts.discrepancies) {
    if (!discrepancy.owned && !covers(discrepancy, facts, receipt)) continue;
    against.push(
      `${discrepancy.class}${discrepancy.owned ? '' : ' (no owner)'}: ${discrepancy.detail}`,
    );
    evidence.push({ kind: 'discrepancy', id: discrepancy.subject });
  }
  const labels = facts.containers.map(({ label }) => label);
  let hints = HINTS_MAX;
  for (const result of facts.results) {
    const waits = waitsForReviewer(result);
    const isUnsigned = result.attribution?.isValid === false;
    if (waits !== null) against.push(`held: result ${result.resultId} ${waits}`);
    else if (isUnsigned)
      against.push(`attribution: result ${result.resultId} ${voidWords(result)}`);
    else if (result.containerLabel === null) {
      const scanned = result.containerScanned ?? '';
      hints -= 1;
      const hint = hints >= 0 ? labelHint(scanned, labels) : '';
      against.push(
        `not-expected: result ${result.resultId} names container "${scanned}"${hint && ` (${hint})`}`,
      );
    } else continue;
    evidence.push({ kind: 'result', id: result.resultId });
  }
  // A receipt that was announced, or came of another, after the proposal has no discrepancy of its own for it.
  const opened = new Set(facts.discrepancies.map(({ subject }) => subject));
  for (const { attributionId, resultId, toReceipt, toLabel } of facts.proposedAway) {
    if (opened.has(proposalSubjects(attributionId)[0])) continue;
    against.push(
      `attribution-open: result ${resultId} is said to be of container ${toLabel} of receipt ${toReceipt}`,
    );
    evidence.push({ kind: 'result', id: resultId });
  }
  for (const { why, result } of facts.claims) {
    if (why !== 'void') continue;
    against.push(`attribution: result ${result.resultId} was taken by a signature that is void`);
    evidence.push({ kind: 'result', id: result.resultId });
  }
  for (const delivery of facts.deliveries) {
    const fault = openFault(delivery);
    if (fault === null || spare.has(delivery.deliveryId)) continue;
    against.push(`${fault}: delivery ${delivery.deliveryId} at ${delivery.destination}`);
    evidence.push({ kind: 'delivery', id: delivery.deliveryId });
  }
  return metUnless('no-open-discrepancy', against, 'nothing open', { evidence });
}

function voidWords({ attribution }: ResultFact): string {
  const changed = named(attribution?.changed ?? []);
  return `was attributed by a signature that is void: changed at ${changed}`;
}

/**
 * Refusing a result answers that it was held, and nothing else (rule 9): it covers nothing, and a contrary one
 * or one that its recheck disagrees with counts on. A void signature answers nothing.
 */
function waitsForReviewer(result: ResultFact): string | null {
  if (result.state === 'held') return 'waits for a reviewer';
  if (result.state === 'refused' && result.review === null) return 'was refused and nobody signed';
  // Also when it was superseded since: only another signed act answers for a void one.
  if (!isReviewVoid(result)) return null;
  const act = result.state === 'refused' ? 'refused' : 'cleared';
  return `was ${act} by a signature that is void: changed at ${named(result.review?.changed ?? [])}`;
}

function covers(
  discrepancy: DiscrepancyFact,
  facts: StatementFacts,
  receipt: ReceiptFacts,
): boolean {
  return scopeCovers(
    discrepancy.scope,
    {
      areas: receipt.areas,
      material: receipt.identity.material,
      receivedAt: receipt.evidenceFrom,
      instruments: measuringInstruments(facts),
    },
    instrumentPlaces(facts.site.instruments, facts.service ?? []),
  );
}

/** A double stays open on a confirmed delivery; every other fault is mended by the confirmation. */
function openFault(delivery: DeliveryFact): string | null {
  if (delivery.fault === 'duplicate') return 'duplicate-at-destination';
  switch (delivery.state) {
    case 'confirmed':
    case 'cancelled':
    case 'superseded':
      return null;
    case 'rejected':
    case 'parked':
    case 'uncertain':
      return delivery.fault ?? delivery.state;
    case 'accepted':
      return delivery.fault;
    default:
      // An act that nobody signed improves nothing (rule 9): what had stopped counts until it is there.
      return delivery.fault ?? (delivery.isSentAgain ? 'sent again' : null);
  }
}

/** The stop that stands: the strictest, and of equals the latest. Only a signed act that names it ends one (rule 20). */
export function stopInForce(stops: readonly StopFact[]): StopFact | null {
  let standing: StopFact | null = null;
  for (const stop of stops) {
    if (isLifted(stop)) continue;
    if (standing === null || rank(stop) > rank(standing)) standing = stop;
    else if (rank(stop) === rank(standing) && stop.statementRevision > standing.statementRevision) {
      standing = stop;
    }
  }
  return standing;
}

/** True when a signature that holds names it. */
export function isLifted(stop: StopFact): boolean {
  return stop.lift?.isValid ?? false;
}

function rank(stop: StopFact): number {
  return stop.kind === 'withdraw' ? 1 : 0;
}

export function noStopInForce(facts: StatementFacts): Condition {
  const stop = stopInForce(facts.stops);
  if (stop === null) {
    const lifted = facts.stops.flatMap(({ lift }) => (lift === null ? [] : [lift]));
    const found =
      lifted.length === 0
        ? 'no stop'
        : `lifted by signature, investigation ${named([...new Set(lifted.map((l) => l.investigation))])}`;
    const signatures = [...new Set(lifted.map((l) => l.signatureId))];
    const evidence = signatures.map((id) => ({ kind: 'signature', id }));
    return condition('no-stop-in-force', 'met', found, evidence);
  }
  return condition(
    'no-stop-in-force',
    stop.kind === 'withdraw' ? 'contradicted' : 'unmet',
    `${stop.kind} since ${formatInstant(stop.issuedAt)}: ${stop.reason}; only a signed act lifts it`,
    [{ kind: 'stop', id: stop.stopId }],
  );
}

/** Rule 6. */
export function furtherIdentityTests(facts: StatementFacts, receipt: ReceiptFacts): Condition {
  const code = 'further-identity-tests';
  const material = facts.site.materials.find((m) => m.code === receipt.identity.material);
  if (!material) {
    return condition(
      code,
      'unmet',
      `material ${receipt.identity.material ?? 'unknown'} is not registered`,
    );
  }
  return metUnless(
    code,
    material.furtherIdentityTests.length === 0
      ? []
      : [`Raman part only, also needed: ${named(material.furtherIdentityTests)}`],
    'Raman is enough by site data',
  );
}

/** Rule 19: a retest or expiry date ends validity, at that instant. */
export function retestDate(receipt: ReceiptFacts, now: Instant): Condition {
  if (receipt.retestAt === null) return condition('retest-date', 'met', 'no retest date announced');
  const text = formatInstant(receipt.retestAt);
  return now >= receipt.retestAt
    ? condition('retest-date', 'unmet', `retest or expiry was reached at ${text}`)
    : condition('retest-date', 'met', `valid until ${text}`);
}

/**
 * Rules 20 and 27: no new *conforms* rests on a destination that changed, was never looked at, or shows the same
 * difference in many records. One that stands is not ended by it: that would be thousands of stops.
 */
export function destinationUnchanged(facts: StatementFacts): Condition {
  const code = 'destination-unchanged';
  const counting = facts.site.destinations.filter((d) => d.acts || d.requiredForStatement);
  const watched = new Map(facts.watches.map((watch) => [watch.destination, watch]));
  const held = counting.flatMap(({ name }) => {
    const hold = watched.get(name)?.hold ?? null;
    return hold === null ? [] : [`${name} ${hold}`];
  });
  if (held.length > 0) {
    return facts.standsConforming
      ? condition(
          code,
          'met',
          `${named(held)}; what stood before stands, and nothing new rests on it`,
        )
      : condition(code, 'unmet', named(held));
  }
  const unwatched = counting.filter((d) => d.acts && watched.get(d.name)?.isWatched !== true);
  if (unwatched.length > 0) {
    const names = named(unwatched.map((d) => d.name));
    return condition(code, 'not-evaluated', `the mapping declares nothing to be watched: ${names}`);
  }
  return condition(code, 'met', 'what was approved is what they say of themselves');
}
