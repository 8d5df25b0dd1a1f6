import { addMs, type Instant } from '../formats/instant.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import type {
  DeliveryFault,
  DeliveryState,
  DiscrepancyClass,
  ResultState,
  SubjectKind,
} from '../storage/tables.js';

export interface ExpectedContainer {
  readonly receiptId: string;
  readonly label: string;
  readonly required: boolean;
}

export interface MeasuredResult {
  readonly rowId: string;
  readonly resultId: string;
  readonly state: ResultState;
  readonly receiptId: string | null;
  readonly receiptScanned: string | null;
  readonly containerLabel: string | null;
  readonly containerScanned: string | null;
  /** Codes of the findings that hold it, where they are known. */
  readonly heldBy?: readonly string[];
}

export interface SentDelivery {
  readonly deliveryId: string;
  readonly subjectKind: SubjectKind;
  readonly receiptId: string | null;
  readonly destination: string;
  readonly state: DeliveryState;
  readonly fault: DeliveryFault | null;
  readonly reason: string | null;
  readonly createdAt: Instant;
}

/** One difference between what should be and what is. */
export interface Discrepancy {
  readonly class: DiscrepancyClass;
  /** Stable: the same difference has the same subject in every report. */
  readonly subject: string;
  readonly detail: string;
  readonly receiptId: string | null;
  readonly containerLabel: string | null;
  readonly destination: string | null;
  /** null for one that is worked out from the present state. */
  readonly openedAt: Instant | null;
}

export interface Comparison {
  readonly expected: readonly ExpectedContainer[];
  readonly results: readonly MeasuredResult[];
  readonly deliveries: readonly SentDelivery[];
  /** Discrepancies that events opened and no evidence closed. */
  readonly open: readonly Discrepancy[];
  readonly now: Instant;
  /** A delivery not confirmed this long after it was created is overdue. */
  readonly overdueAfterMs: number;
}

/**
 * Sets what was expected against what was measured and what was delivered and confirmed. By container, not
 * by count: twelve results over twelve drums are not twelve drums when one was measured twice. The same
 * difference is listed once, as the event that opened it where there is one.
 */
export function compare(comparison: Comparison): Discrepancy[] {
  const found = [
    ...comparison.open,
    ...notMeasured(comparison.expected, comparison.results),
    ...comparison.results.flatMap(fromResult),
    ...comparison.deliveries.flatMap((d) => fromDelivery(d, comparison)),
  ];
  const once = new Map<string, Discrepancy>();
  for (const discrepancy of found) {
    const key = `${discrepancy.class} ${discrepancy.subject}`;
    if (!once.has(key)) once.set(key, discrepancy);
  }
  return [...once.values()].sort(byClassAndSubject);
}

function notMeasured(
  expected: readonly ExpectedContainer[],
  results: readonly MeasuredResult[],
): Discrepancy[] {
  const measured = new Set(
    results
      .filter((r) => r.state === 'accepted' && r.containerLabel !== null)
      .map((r) => containerSubject(r.receiptId ?? '', r.containerLabel ?? '')),
  );
  return expected
    .filter((c) => c.required && !measured.has(containerSubject(c.receiptId, c.label)))
    .map((c) => ({
      class: 'not-measured',
      subject: containerSubject(c.receiptId, c.label),
      detail: `container ${c.label} of receipt ${c.receiptId} has no accepted result`,
      receiptId: c.receiptId,
      containerLabel: c.label,
      destination: null,
      openedAt: null,
    }));
}

/** Names a container of a receipt; JSON, so that no two pairs of texts give one name. */
export function containerSubject(receiptId: string, label: string): string {
  return `container:${JSON.stringify([receiptId, label])}`;
}

function fromResult(result: MeasuredResult): Discrepancy[] {
  const place = {
    subject: resultSubject(result.rowId),
    receiptId: result.receiptId,
    containerLabel: result.containerLabel,
    destination: null,
    openedAt: null,
  } as const;
  const found: Discrepancy[] = [];
  if (result.state === 'held') {
    const by = result.heldBy?.length ? `: ${result.heldBy.join(', ')}` : '';
    found.push({ ...place, class: 'held', detail: `result ${result.resultId} is held${by}` });
  }
  if (result.receiptId === null) {
    found.push({
      ...place,
      class: 'not-expected',
      detail: `result ${result.resultId} names receipt "${result.receiptScanned ?? ''}", which nobody announced`,
    });
  } else if (result.containerLabel === null) {
    found.push({
      ...place,
      class: 'not-expected',
      detail: `result ${result.resultId} names container "${result.containerScanned ?? ''}", which receipt ${result.receiptId} does not list`,
    });
  }
  return found;
}

function fromDelivery(
  delivery: SentDelivery,
  options: Pick<Comparison, 'now' | 'overdueAfterMs'>,
): Discrepancy[] {
  const isOverdue = options.now > addMs(delivery.createdAt, options.overdueAfterMs);
  return deliveryClasses(delivery, isOverdue).map((discrepancyClass) => ({
    class: discrepancyClass,
    subject: `delivery:${delivery.deliveryId}`,
    detail: `${delivery.subjectKind} at ${delivery.destination} is ${delivery.state}${delivery.reason ? `: ${delivery.reason}` : ''}`,
    receiptId: delivery.receiptId,
    containerLabel: null,
    destination: delivery.destination,
    openedAt: null,
  }));
}

/** What a delivery shows to be wrong. A double stays named after everything else was mended. */
export function deliveryClasses(
  delivery: Pick<SentDelivery, 'state' | 'fault'>,
  isOverdue: boolean,
): DiscrepancyClass[] {
  const { state, fault } = delivery;
  const double: DiscrepancyClass[] = fault === 'duplicate' ? ['duplicate-at-destination'] : [];
  switch (state) {
    case 'confirmed':
    case 'cancelled':
    case 'superseded':
      return double;
    case 'rejected':
      return [...double, 'rejected'];
    case 'parked':
      return [...double, faultClass(fault) ?? 'parked'];
    case 'uncertain':
      return [...double, faultClass(fault) ?? 'uncertain'];
    case 'due':
    case 'building':
    case 'sending':
    case 'accepted': {
      const named = faultClass(fault) ?? (isOverdue ? 'overdue' : null);
      return named === null ? double : [...double, named];
    }
  }
}

function faultClass(fault: DeliveryFault | null): DiscrepancyClass | null {
  switch (fault) {
    case 'absent':
    case 'differs':
    case 'rejected':
      return fault;
    case 'not-effective':
      return 'stop-not-effective';
    default:
      return null;
  }
}

function byClassAndSubject(a: Discrepancy, b: Discrepancy): number {
  if (a.class !== b.class) return a.class < b.class ? -1 : 1;
  return a.subject < b.subject ? -1 : a.subject > b.subject ? 1 : 0;
}
