import type { ComparisonMarkRow } from '../storage/tables.js';
import type { MeasuredResult, SentDelivery } from './compare.js';

export type MarkedSubject = Pick<ComparisonMarkRow, 'kind' | 'subject'>;

/** What a round compares: what its marks name, told apart by whom it belongs to. */
export interface ComparedSubjects {
  readonly receiptIds: readonly string[];
  /** Row ids of results that belong to no receipt. */
  readonly unownedResults: readonly string[];
  /** Ids of deliveries of other messages that name no receipt. */
  readonly unownedDeliveries: readonly string[];
  /** Results that marks name, or whose deliveries they name, as they are now. */
  readonly results: readonly MeasuredResult[];
  readonly deliveries: readonly SentDelivery[];
}

/** Row ids of results that marks name by themselves. */
export function markedResults(marks: readonly MarkedSubject[]): string[] {
  return unique(marks.filter((m) => m.kind.startsWith('result')).map((m) => m.subject));
}

export function markedDeliveries(marks: readonly MarkedSubject[]): string[] {
  return unique(marks.filter((m) => m.kind.startsWith('delivery')).map((m) => m.subject));
}

/**
 * @param results all that `markedResults` names and all whose deliveries are in `deliveries`
 */
export function subjectsOf(
  marks: readonly MarkedSubject[],
  results: readonly MeasuredResult[],
  deliveries: readonly SentDelivery[],
): ComparedSubjects {
  const others = deliveries.filter((d) => d.subjectKind !== 'result');
  return {
    receiptIds: unique([
      ...marks.filter((m) => m.kind === 'receipt').map((m) => m.subject),
      ...results.map((r) => r.receiptId),
      ...others.map((d) => d.receiptId),
    ]).sort(),
    unownedResults: unique(results.filter((r) => r.receiptId === null).map((r) => r.rowId)),
    unownedDeliveries: unique(others.filter((d) => d.receiptId === null).map((d) => d.deliveryId)),
    results,
    deliveries,
  };
}

function unique(all: readonly (string | null)[]): string[] {
  return [...new Set(all)].filter((item) => item !== null);
}
