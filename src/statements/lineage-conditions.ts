import type { Condition } from '../records/statement-record.js';
import { condition, metUnless, named } from './condition.js';
import type { DrumElsewhere, OriginFact, OriginRejection, ReceiptFacts } from './facts.js';

/**
 * Rule 19. A receipt that was cancelled, split or merged says nothing any more, nor does one that containers left for a
 * receipt of their own. What came of another receipt may conform when that one stood well as they went; what came
 * of one that did not needs a signed act that answers for it, and a merge has to come of nothing but receipts that did.
 * A drum with a serial number that failed under a receipt nobody named as its origin is the same drum (rule 8).
 */
export function receiptUndivided(receipt: ReceiptFacts): Condition {
  const { status, lineage } = receipt;
  const rejected = rejectedContainers(receipt);
  if (rejected !== null) return rejected;
  const { departures, origins, gone = [], elsewhere = [] } = lineage;
  const others = [...departures, ...gone, ...origins, ...elsewhere].flatMap(
    (other) => other.receiptId ?? [],
  );
  const evidence = [
    ...[...new Set(others)].map((id) => ({ kind: 'receipt', id })),
    ...elsewhere
      .filter((drum) => !drum.isListed)
      .flatMap(({ against }) => against.map((id) => ({ kind: 'result', id }))),
  ];
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
    // What was rejected and split off by ERP takes nothing from the rest.
    ...lineage.departures
      .filter(({ kind }) => kind !== 'split-off')
      .map((d) => `containers went to ${d.receiptId} (${d.kind})`),
    ...gone.map(
      (of) => `container ${named(of.containers)} went to ${of.receiptId} (${of.kind}) before`,
    ),
    ...lineage.origins.flatMap(faultsOfOrigin),
    ...elsewhere.map(faultElsewhere),
  ];
  const from = lineage.origins.map((o) => `${o.receiptId} (${o.kind})`).join(', ');
  return metUnless(
    'receipt-undivided',
    against,
    from === '' ? 'the receipt is in one piece' : `came of ${from}`,
    { evidence },
  );
}

/**
 * Rule 16. With a container rejected the receipt does not conform until ERP says that it is split off; and what a
 * rejected container went to never conforms. A rejection whose signature is void let nothing go.
 */
function rejectedContainers({ rejections, lineage }: ReceiptFacts): Condition | null {
  const from = lineage.origins.filter(({ kind }) => kind === 'split-off');
  const there = lineage.origins.flatMap(({ rejected }) => rejected.filter((r) => r.isHere));
  const against = [
    ...rejections.flatMap(({ container, splitOffTo, isValid }) => {
      if (splitOffTo === null) {
        return [`container ${container} was rejected and ERP has not split it off`];
      }
      return isValid
        ? []
        : [`container ${container} went to ${splitOffTo} by a rejection whose signature is void`];
    }),
    ...from.map(({ receiptId }) => `its containers were rejected at ${receiptId}`),
    ...there.map(
      ({ container, receiptId }) => `container ${container} was rejected at ${receiptId}`,
    ),
  ];
  if (against.length === 0) return null;
  return condition('receipt-undivided', 'contradicted', named(against), [
    ...rejections.map(({ signatureId }) => ({ kind: 'signature', id: signatureId })),
    ...[...from, ...there].map(({ receiptId }) => ({ kind: 'receipt', id: receiptId })),
  ]);
}

function faultsOfOrigin(origin: OriginFact): string[] {
  const { kind, left, contrarySince, isSigned, rejected } = origin;
  const faults: string[] = [];
  let isAnswered = isSigned;
  const mayBeSigned = kind !== 'merged';
  if (!(isSigned && mayBeSigned)) {
    if (origin.outcome === 'does-not-conform') faults.push('it did not conform then');
    if (origin.hadStop) faults.push('a stop was in force there');
    if (origin.refused) faults.push('a reviewer refused it then');
    if (origin.refusedSince) faults.push('a reviewer refused it since');
    if (origin.hadContrary) faults.push('a contrary result was of it then');
    if (origin.disagreed) faults.push('the recheck disagreed with a result there then');
    if (left.contrary > 0) faults.push(`${left.contrary} contrary results stand there`);
    if (rejected.length > 0) faults.push(`${labels(rejected)} rejected there`);
  } else {
    const since = rejected.filter(({ isSince }) => isSince);
    if (contrarySince > 0) faults.push('a contrary result came there since');
    if (origin.refusedSince) faults.push('a reviewer refused it since');
    if (since.length > 0) faults.push(`${labels(since)} rejected there since`);
    isAnswered = faults.length === 0;
  }
  // A returned or repacked container starts anew; what was split or merged goes on from what its source knew.
  if (kind === 'split' || kind === 'merged') {
    if (left.unplaced > 0)
      faults.push(`${left.unplaced} results there name none of its containers`);
    if (left.open > 0) faults.push(`${left.open} discrepancies are open there`);
  }
  if (faults.length === 0) return [];
  const act = mayBeSigned && !isAnswered ? '; no signed act answers for it' : '';
  return [`came of ${origin.receiptId} (${kind}): ${faults.join(', ')}${act}`];
}

/**
 * Naming the other receipt makes it an origin, for which a signed act may answer. Where the drum was only scanned, somebody
 * signs where the result belongs.
 */
function faultElsewhere(drum: DrumElsewhere): string {
  const { receiptId, isListed, container, against, isRejected } = drum;
  if (!isListed) {
    const at = receiptId === null ? 'no known receipt' : `receipt ${receiptId}`;
    return `a contrary result of container ${container}, by its GTIN and serial number, stands under ${at}, and nobody signed where it belongs`;
  }
  const faults = [
    ...(against.length > 0 ? [`${against.length} contrary results stand there`] : []),
    ...(isRejected ? ['it was rejected there'] : []),
  ];
  return `receipt ${receiptId}, which lists container ${container} by the same serial number, is not named as what it comes from: ${faults.join(', ')}`;
}

function labels(rejected: readonly OriginRejection[]): string {
  const names = [...new Set(rejected.map(({ container }) => container))];
  return `container${names.length > 1 ? 's' : ''} ${named(names)} ${names.length > 1 ? 'were' : 'was'}`;
}
