import type { Condition } from '../records/statement-record.js';
import { condition, metUnless } from './condition.js';
import type { OriginFact, ReceiptFacts } from './facts.js';

/**
 * Rule 19. A receipt that was cancelled, split or merged says nothing any more, nor does one that containers left for a
 * receipt of their own. What came of another receipt may conform when that one stood well as they went; what came
 * of one that did not needs a signed act that answers for it, and a merge has to come of nothing but receipts that did.
 */
export function receiptUndivided(receipt: ReceiptFacts): Condition {
  const { status, lineage } = receipt;
  const evidence = [...lineage.departures, ...lineage.origins].map(({ receiptId }) => ({
    kind: 'receipt',
    id: receiptId,
  }));
  const went = lineage.departures.map(({ receiptId }) => receiptId).join(', ');
  if (status === 'split' || status === 'merged') {
    const found = `the receipt was ${status} and went on as ${went}`;
    // What did not conform does not become merely incomplete by its containers going elsewhere (rule 9).
    return lineage.departures.some((d) => d.outcome === 'does-not-conform')
      ? condition('receipt-undivided', 'contradicted', `${found}; it did not conform`, evidence)
      : condition('receipt-undivided', 'unmet', found, evidence);
  }
  const against = [
    ...(status === 'cancelled' ? ['the receipt was cancelled'] : []),
    ...lineage.departures.map((d) => `containers went to ${d.receiptId} (${d.kind})`),
    ...lineage.origins.flatMap(faultsOfOrigin),
  ];
  const from = lineage.origins.map((o) => `${o.receiptId} (${o.kind})`).join(', ');
  return metUnless(
    'receipt-undivided',
    against,
    from === '' ? 'the receipt is in one piece' : `came of ${from}`,
    { evidence },
  );
}

function faultsOfOrigin(origin: OriginFact): string[] {
  const { kind, left, knownContrary, isSigned } = origin;
  const faults: string[] = [];
  const mayBeSigned = kind !== 'merged';
  if (!(isSigned && mayBeSigned)) {
    if (origin.outcome === 'does-not-conform') faults.push('it did not conform then');
    if (origin.hadStop) faults.push('a stop was in force there');
    if (left.contrary > 0) faults.push(`${left.contrary} contrary results stand there`);
  } else if (left.contrary > knownContrary) {
    faults.push('a contrary result came there since');
  }
  // A returned or repacked container starts anew; what was split or merged goes on from what its source knew.
  if (kind === 'split' || kind === 'merged') {
    if (left.unplaced > 0)
      faults.push(`${left.unplaced} results there name none of its containers`);
    if (left.open > 0) faults.push(`${left.open} discrepancies are open there`);
  }
  if (faults.length === 0) return [];
  const act = mayBeSigned && !isSigned ? '; no signed act answers for it' : '';
  return [`came of ${origin.receiptId} (${kind}): ${faults.join(', ')}${act}`];
}
