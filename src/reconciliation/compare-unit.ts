import type { Instant } from '../formats/instant.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import {
  CONTAINER,
  type ComparedDestination,
  compare,
  containerSubject,
  type Discrepancy,
  deliverySubject,
  discrepancyKey,
  type ExpectedContainer,
  type MeasuredResult,
  nextOverdueAt,
  type SentDelivery,
} from './compare.js';
import {
  type Cell,
  type ReceiptTally,
  type TallySettings,
  tallyReceipt,
  tallyResults,
} from './tally.js';

/** Everything the comparison reads of one receipt. */
export interface ReceiptToCompare {
  readonly receiptId: string;
  readonly revision: number;
  readonly receivedAt: Instant | null;
  readonly containers: readonly ExpectedContainer[];
  readonly results: readonly MeasuredResult[];
  readonly deliveries: readonly SentDelivery[];
}

/** What belongs to no known receipt. */
export interface UnownedToCompare {
  readonly results: readonly MeasuredResult[];
  readonly deliveries: readonly SentDelivery[];
}

export interface CompareSettings extends TallySettings {
  readonly destinations: readonly ComparedDestination[];
  readonly overdueAfterMs: number;
  readonly now: Instant;
}

export interface ComparedReceipt {
  readonly tally: ReceiptTally;
  readonly cells: readonly Cell[];
  readonly discrepancies: readonly Discrepancy[];
  readonly nextDueAt: Instant | null;
}

/** Pure and whole: the same rows give the same answer, whatever was compared before. */
export function compareReceipt(of: ReceiptToCompare, settings: CompareSettings): ComparedReceipt {
  return {
    tally: tallyReceipt(of, of.containers, of.results, settings.dayOf),
    cells: tallyResults(of.results, of.deliveries, settings),
    discrepancies: compare({ expected: of.containers, ...of, ...settings }),
    nextDueAt: nextOverdueAt(of.deliveries, settings),
  };
}

export interface ComparedUnowned {
  readonly cells: readonly Cell[];
  readonly discrepancies: readonly Discrepancy[];
  readonly nextDueAt: Instant | null;
}

export function compareUnowned(of: UnownedToCompare, settings: CompareSettings): ComparedUnowned {
  return {
    cells: tallyResults(of.results, of.deliveries, settings),
    discrepancies: compare({ expected: [], ...of, ...settings }),
    nextDueAt: nextOverdueAt(of.deliveries, settings),
  };
}

/** An open discrepancy as it is stored. */
export interface StoredDiscrepancy extends Discrepancy {
  readonly id: string;
  /** False for one that an event opened: the comparison neither changes nor closes it. */
  readonly derived: boolean;
}

export interface DiscrepancyChanges {
  readonly open: readonly Discrepancy[];
  /** Still there, under another receipt or in other words. */
  readonly update: readonly { readonly stored: StoredDiscrepancy; readonly to: Discrepancy }[];
  readonly close: readonly { readonly stored: StoredDiscrepancy; readonly evidence: string }[];
}

/** What turns the stored discrepancies into those that were found; nothing when they are the same. */
export function changesTo(
  found: readonly Discrepancy[],
  stored: readonly StoredDiscrepancy[],
  facts: Pick<ReceiptToCompare, 'containers' | 'results' | 'deliveries'>,
): DiscrepancyChanges {
  const wanted = new Map(found.map((d) => [discrepancyKey(d), d]));
  const held = new Map(stored.map((d) => [discrepancyKey(d), d]));
  const bySubject = new Map(found.map((d) => [d.subject, d]));
  return {
    open: found.filter((d) => !held.has(discrepancyKey(d))),
    update: stored.flatMap((d) => {
      const to = wanted.get(discrepancyKey(d));
      return to === undefined || !d.derived || saysTheSame(d, to) ? [] : [{ stored: d, to }];
    }),
    close: stored
      .filter((d) => d.derived && !wanted.has(discrepancyKey(d)))
      .map((d) => ({ stored: d, evidence: closingEvidence(d, bySubject.get(d.subject), facts) })),
  };
}

/**
 * What turns the discrepancies that are stored of these receipts into those that were found, each under the receipt that it
 * belongs to now. All receipts at once: what goes from one of them to another is neither ended nor new. What went with a result
 * to a receipt that is not among them stays as it is, for that one to take over when it is compared.
 *
 * @param stored may hold others, which are left alone
 */
export function changesByReceipt(
  compared: readonly {
    readonly of: ReceiptToCompare;
    readonly discrepancies: readonly Discrepancy[];
  }[],
  stored: readonly StoredDiscrepancy[],
): ReadonlyMap<string, DiscrepancyChanges> {
  const owners = new Map(
    compared.flatMap(({ of, discrepancies }) =>
      [...discrepancies.map((d) => d.subject), ...subjectsIn(of)].map((subject) => [
        subject,
        of.receiptId,
      ]),
    ),
  );
  const receipts = new Set(compared.map(({ of }) => of.receiptId));
  const changes = changesTo(
    compared.flatMap((c) => c.discrepancies),
    stored.filter(
      (d) => owners.has(d.subject) || (receipts.has(d.receiptId ?? '') && isOfContainer(d)),
    ),
    {
      containers: compared.flatMap(({ of }) => of.containers),
      results: compared.flatMap(({ of }) => of.results),
      deliveries: compared.flatMap(({ of }) => of.deliveries),
    },
  );
  const ownerOf = (d: Discrepancy) => owners.get(d.subject) ?? d.receiptId;
  return new Map(
    [...receipts].map((id) => [
      id,
      {
        open: changes.open.filter((d) => ownerOf(d) === id),
        update: changes.update.filter(({ to }) => ownerOf(to) === id),
        close: changes.close.filter((c) => ownerOf(c.stored) === id),
      },
    ]),
  );
}

/** A container is of the receipt that its name names; results and deliveries may go to another. */
function isOfContainer({ subject }: Pick<Discrepancy, 'subject'>): boolean {
  return subject.startsWith(CONTAINER);
}

/** Of a receipt, whatever is open about it: its results and deliveries. */
export function subjectsIn(of: Pick<ReceiptToCompare, 'results' | 'deliveries'>): string[] {
  return [
    ...of.results.map((r) => resultSubject(r.rowId)),
    ...of.deliveries.map((d) => deliverySubject(d.deliveryId)),
  ];
}

/** What is not known of a day keeps the day that was stored. */
function saysTheSame(a: Discrepancy, b: Discrepancy): boolean {
  return (
    a.detail === b.detail &&
    a.receiptId === b.receiptId &&
    a.containerLabel === b.containerLabel &&
    a.destination === b.destination &&
    a.instrument === b.instrument &&
    a.fault === b.fault &&
    (b.countsFrom === null || a.countsFrom === b.countsFrom)
  );
}

/** Names the fact that ended a discrepancy: rows are evidence, words are not (rule 16). */
function closingEvidence(
  ended: Discrepancy,
  goesOnAs: Discrepancy | undefined,
  facts: Pick<ReceiptToCompare, 'containers' | 'results' | 'deliveries'>,
): string {
  if (goesOnAs) return `${ended.subject} goes on as ${goesOnAs.class}`;
  if (ended.class === 'not-measured') return containerEvidence(ended, facts);
  if (ended.class === 'not-sent') return sentEvidence(ended, facts);
  const result = facts.results.find((r) => resultSubject(r.rowId) === ended.subject);
  if (result) {
    const place =
      result.receiptId === null
        ? ''
        : ` for container ${result.containerLabel ?? 'unknown'} of receipt ${result.receiptId}`;
    return `${ended.subject} is ${result.state}${place}`;
  }
  const delivery = facts.deliveries.find((d) => deliverySubject(d.deliveryId) === ended.subject);
  if (delivery === undefined) return `${ended.subject} belongs elsewhere now`;
  const later = facts.deliveries.find(
    (d) =>
      d.subjectKind === delivery.subjectKind &&
      d.subjectId === delivery.subjectId &&
      d.destination === delivery.destination &&
      d.build > delivery.build &&
      d.state === 'confirmed',
  );
  return later
    ? `${deliverySubject(later.deliveryId)}, build ${later.build}, is confirmed`
    : `${ended.subject} is ${delivery.state}`;
}

/** Rows are evidence; without one it is the site folder that changed, or the result. */
function sentEvidence(
  ended: Discrepancy,
  facts: Pick<ReceiptToCompare, 'results' | 'deliveries'>,
): string {
  const result = facts.results.find((r) => resultSubject(r.rowId) === ended.subject);
  const isThere = ({ destination }: { readonly destination: string }) =>
    ended.destination === null || destination === ended.destination;
  const told = (result?.withdrawals ?? []).filter(isThere);
  const asItIs = facts.deliveries.filter(
    (d) =>
      d.subjectKind === 'result' &&
      d.subjectId === result?.rowId &&
      d.subjectRevision === result.revision &&
      isThere(d),
  );
  // Of what does not stand, what was sent before ends nothing: the withdrawal does.
  const sent = told.length > 0 && result?.state !== 'accepted' ? told : [...told, ...asItIs];
  if (sent.length > 0) return sent.map((d) => deliverySubject(d.deliveryId)).join(', ');
  if (result?.state === 'held' || result?.state === 'refused') {
    return `${ended.subject} is ${result.state}`;
  }
  return result === undefined
    ? `${ended.subject} belongs elsewhere now`
    : `the site folder does not require ${ended.destination ?? 'them'} any more`;
}

function containerEvidence(
  ended: Discrepancy,
  facts: Pick<ReceiptToCompare, 'containers' | 'results'>,
): string {
  const container = facts.containers.find(
    (c) => containerSubject(c.receiptId, c.label) === ended.subject,
  );
  if (!container?.required) return `receipt:${ended.receiptId ?? ''} no longer asks for it`;
  const by = facts.results.find(
    (r) =>
      r.state === 'accepted' &&
      r.receiptId === container.receiptId &&
      r.containerLabel === container.label,
  );
  return by ? resultSubject(by.rowId) : `receipt:${ended.receiptId ?? ''} was corrected`;
}
