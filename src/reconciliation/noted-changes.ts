import type { Instant } from '../formats/instant.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import type { ComparedSubjects, MarkedSubject } from './compared-subjects.js';

/** Something a round found changed, for the addendum of a closed period that it counts in. */
export interface NotedChange {
  readonly subject: string;
  /** null for what belongs to no day. */
  readonly countsAt: Instant | null;
  readonly detail: string;
}

/** Results and their deliveries that marks say have changed; those compared again for other reasons have not. */
export function notedChanges(
  marks: readonly MarkedSubject[],
  subjects: Pick<ComparedSubjects, 'results' | 'deliveries'>,
): NotedChange[] {
  const named = (kind: MarkedSubject['kind']) =>
    new Set(marks.filter((m) => m.kind === kind).map((m) => m.subject));
  const results = named('result');
  const deliveries = named('delivery');
  const byRow = new Map(subjects.results.map((r) => [r.rowId, r]));
  const changed: NotedChange[] = [];
  for (const r of subjects.results) {
    if (!results.has(r.rowId)) continue;
    const place =
      r.receiptId === null
        ? `receipt "${r.receiptScanned ?? ''}", which nobody announced`
        : `container ${r.containerLabel ?? `"${r.containerScanned ?? ''}"`} of receipt ${r.receiptId}`;
    changed.push({
      subject: resultSubject(r.rowId),
      countsAt: r.countsAt,
      detail: `result ${r.resultId}, ${place}, is ${r.state}`,
    });
  }
  for (const d of subjects.deliveries) {
    const result = d.subjectKind === 'result' ? byRow.get(d.subjectId) : undefined;
    if (!deliveries.has(d.deliveryId) || result === undefined) continue;
    if (d.state === 'due' || d.state === 'building' || d.state === 'sending') continue;
    changed.push({
      subject: resultSubject(result.rowId),
      countsAt: result.countsAt,
      detail: `result ${result.resultId} at ${d.destination} is ${d.state}`,
    });
  }
  return changed;
}
