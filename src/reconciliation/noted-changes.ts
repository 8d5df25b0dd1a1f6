import type { Instant } from '../formats/instant.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import type { ComparisonMarkRow, DiscrepancyRow } from '../storage/tables.js';
import type { ComparedSubjects } from './compared-subjects.js';

/** That something changed since the last round. */
export type Mark = Omit<ComparisonMarkRow, 'n' | 'site'> & { readonly n: number };

/** What the addendum of a closed period says of a discrepancy. */
export type MarkedDiscrepancy = Pick<
  DiscrepancyRow,
  'id' | 'class' | 'subject' | 'detail' | 'counts_from' | 'closing_evidence'
>;

/** Something that changed, for the addendum of a closed period that it counts in. */
export interface NotedChange {
  readonly subject: string;
  /** null for what belongs to no day. */
  readonly countsAt: Instant | null;
  readonly detail: string;
  /**
   * How lines about the same thing begin: one that says what the last of them says is no change. null for what is noted
   * whenever it happens.
   */
  readonly about: string | null;
}

/** What marks name. */
export interface MarkedFacts extends Pick<ComparedSubjects, 'results' | 'deliveries'> {
  readonly discrepancies: readonly MarkedDiscrepancy[];
}

/**
 * What marks say has changed, in the order of the changes: results, their deliveries and discrepancies. Of what changed
 * more than once since the last round each change is named; what is compared again for other reasons has not changed.
 */
export function notedChanges(
  marks: readonly Mark[],
  { results, deliveries, discrepancies }: MarkedFacts,
): NotedChange[] {
  const resultOf = new Map(results.map((r) => [r.rowId, r]));
  const deliveryOf = new Map(deliveries.map((d) => [d.deliveryId, d]));
  const discrepancyOf = new Map(discrepancies.map((d) => [d.id, d]));
  const change = (mark: Mark): NotedChange | null => {
    switch (mark.kind) {
      case 'result':
        return resultChange(mark, resultOf.get(mark.subject));
      case 'delivery': {
        const delivery = deliveryOf.get(mark.subject);
        return delivery?.subjectKind === 'result'
          ? deliveryChange(mark, delivery, resultOf.get(delivery.subjectId))
          : null;
      }
      case 'discrepancy':
        return discrepancyChange(mark, discrepancyOf.get(mark.subject));
      default:
        return null;
    }
  };
  return [...marks].sort((a, b) => a.n - b.n).flatMap((mark) => change(mark) ?? []);
}

type Result = MarkedFacts['results'][number];
type Delivery = MarkedFacts['deliveries'][number];

function resultChange(mark: Mark, result: Result | undefined): NotedChange | null {
  if (result === undefined) return null;
  // A mark of an earlier version says that it changed, not what to.
  const then =
    mark.state === null
      ? result
      : { ...mark, receiptId: mark.receipt_id, containerLabel: mark.container_label };
  const place =
    then.receiptId === null
      ? `receipt "${result.receiptScanned ?? ''}", which nobody announced`
      : `container ${then.containerLabel ?? `"${result.containerScanned ?? ''}"`} of receipt ${then.receiptId}`;
  const about = `result ${result.resultId}, `;
  return {
    subject: resultSubject(result.rowId),
    countsAt: result.countsAt,
    detail: `${about}${place}, is ${then.state}`,
    about,
  };
}

function deliveryChange(
  mark: Mark,
  delivery: Delivery,
  result: Result | undefined,
): NotedChange | null {
  const state = mark.state ?? delivery.state;
  if (result === undefined || state === 'due' || state === 'building' || state === 'sending') {
    return null;
  }
  const about = `result ${result.resultId} at ${delivery.destination} is `;
  return {
    subject: resultSubject(result.rowId),
    countsAt: result.countsAt,
    detail: `${about}${state}`,
    about,
  };
}

function discrepancyChange(
  mark: Mark,
  discrepancy: MarkedDiscrepancy | undefined,
): NotedChange | null {
  if (discrepancy === undefined) return null;
  const { subject, counts_from: countsAt, class: kind } = discrepancy;
  const said =
    mark.state === 'opened'
      ? `opened: ${discrepancy.detail}`
      : `closed: ${discrepancy.closing_evidence ?? ''}`;
  return { subject, countsAt, detail: `${kind} ${said}`, about: null };
}
