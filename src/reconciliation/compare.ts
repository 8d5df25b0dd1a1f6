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
  /** Goods receipt, or null when that is not known. */
  readonly receivedAt: Instant | null;
}

export interface MeasuredResult {
  readonly rowId: string;
  readonly resultId: string;
  /** As it stands now; each is sent by itself. */
  readonly revision: number;
  readonly state: ResultState;
  readonly receiptId: string | null;
  readonly receiptScanned: string | null;
  readonly containerLabel: string | null;
  readonly containerScanned: string | null;
  readonly instrument: string | null;
  /** When it counts: as measured, or when its bundle came where no time can be read. */
  readonly countsAt: Instant;
  /** Codes of the findings that hold it, where they are known. */
  readonly heldBy?: readonly string[];
  /** Where a revision of it that does not stand any more may be held and no withdrawal of it was sent; left out: nowhere. */
  readonly untold?: readonly { readonly destination: string; readonly revision: number }[];
  /** Its withdrawals, whatever became of them; left out: none. */
  readonly withdrawals?: readonly { readonly deliveryId: string; readonly destination: string }[];
}

export interface SentDelivery {
  readonly deliveryId: string;
  readonly subjectKind: SubjectKind;
  readonly subjectId: string;
  readonly subjectRevision: number;
  readonly build: number;
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
  readonly instrument: string | null;
  readonly fault: DeliveryFault | null;
  /** The instant whose day it belongs to; null where that is not known. */
  readonly countsFrom: Instant | null;
}

export interface ComparedDestination {
  readonly name: string;
  readonly required: boolean;
  /** Its mapping has no message for it, so that it cannot be told; left out: it can. */
  readonly cannotWithdraw?: boolean;
}

export interface Comparison {
  readonly expected: readonly ExpectedContainer[];
  readonly results: readonly MeasuredResult[];
  readonly deliveries: readonly SentDelivery[];
  /** Of the site folder in force. */
  readonly destinations: readonly ComparedDestination[];
  readonly now: Instant;
  /** A delivery not confirmed this long after it was created is overdue. */
  readonly overdueAfterMs: number;
}

/**
 * Sets what was expected against what was measured and what was delivered and confirmed. By container, not
 * by count: twelve results over twelve drums are not twelve drums when one was measured twice.
 */
export function compare(comparison: Comparison): Discrepancy[] {
  const found = [
    ...notMeasured(comparison.expected, comparison.results),
    ...comparison.results.flatMap(fromResult),
    ...notSent(comparison),
    ...standingDeliveries(comparison.deliveries).flatMap((d) => fromDelivery(d, comparison)),
  ];
  const once = new Map<string, Discrepancy>();
  for (const discrepancy of found) {
    const key = discrepancyKey(discrepancy);
    if (!once.has(key)) once.set(key, discrepancy);
  }
  return [...once.values()].sort(byClassAndSubject);
}

/** One open row for each. */
export function discrepancyKey(of: Pick<Discrepancy, 'class' | 'subject'>): string {
  return `${of.class} ${of.subject}`;
}

/** An earlier build says nothing any more once a later one of the same message is confirmed. */
function standingDeliveries(deliveries: readonly SentDelivery[]): SentDelivery[] {
  const confirmed = new Map<string, number>();
  for (const d of deliveries) {
    if (d.state === 'confirmed') {
      confirmed.set(messageKey(d), Math.max(d.build, confirmed.get(messageKey(d)) ?? 0));
    }
  }
  return deliveries.filter((d) => d.build >= (confirmed.get(messageKey(d)) ?? 0));
}

function messageKey(d: SentDelivery): string {
  return JSON.stringify([d.subjectKind, d.subjectId, d.subjectRevision, d.destination]);
}

function notMeasured(
  expected: readonly ExpectedContainer[],
  results: readonly MeasuredResult[],
): Discrepancy[] {
  const measured = measuredContainers(results);
  return expected
    .filter((c) => c.required && !measured.has(containerSubject(c.receiptId, c.label)))
    .map((c) => ({
      class: 'not-measured',
      subject: containerSubject(c.receiptId, c.label),
      detail: `container ${c.label} of receipt ${c.receiptId} has no accepted result`,
      receiptId: c.receiptId,
      containerLabel: c.label,
      destination: null,
      instrument: null,
      fault: null,
      countsFrom: c.receivedAt,
    }));
}

/** Containers that some accepted result is of, by `containerSubject`. */
export function measuredContainers(
  results: readonly Pick<MeasuredResult, 'state' | 'receiptId' | 'containerLabel'>[],
): ReadonlySet<string> {
  return new Set(
    results.flatMap((r) =>
      r.state === 'accepted' && r.containerLabel !== null && r.receiptId !== null
        ? [containerSubject(r.receiptId, r.containerLabel)]
        : [],
    ),
  );
}

/** Names a container of a receipt; JSON, so that no two pairs of texts give one name. */
export function containerSubject(receiptId: string, label: string): string {
  return `${CONTAINER}${JSON.stringify([receiptId, label])}`;
}

export const CONTAINER = 'container:';

function fromResult(result: MeasuredResult): Discrepancy[] {
  const place = {
    subject: resultSubject(result.rowId),
    receiptId: result.receiptId,
    containerLabel: result.containerLabel,
    destination: null,
    instrument: result.instrument,
    fault: null,
    countsFrom: result.countsAt,
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

/**
 * Results of a receipt that a required destination was never sent as they are now: it was added, or became required, after
 * they were accepted, or was out of the site folder when they changed. A statement waits for each, also for one that was
 * taken back since. And those of which any destination has what does not stand any more and was never told.
 */
function notSent({ results, deliveries, destinations }: Comparison): Discrepancy[] {
  const required = destinations.filter((d) => d.required).map((d) => d.name);
  const told = new Set(destinations.filter((d) => d.cannotWithdraw !== true).map((d) => d.name));
  const sent = new Map<string, number>();
  for (const d of deliveries) {
    if (d.subjectKind !== 'result') continue;
    const key = sentTo(d.subjectId, d);
    sent.set(key, Math.max(d.subjectRevision, sent.get(key) ?? 0));
  }
  return results.flatMap((result) => {
    const { rowId, receiptId, containerLabel, instrument, countsAt } = result;
    if (receiptId === null) return [];
    const untold = (result.untold ?? []).filter(({ destination }) => told.has(destination));
    const least = leastRevision(result);
    const missing = required.filter(
      (name) =>
        least !== null &&
        (sent.get(sentTo(rowId, { destination: name })) ?? 0) < least &&
        !untold.some(({ destination }) => destination === name),
    );
    const places = [...new Set([...missing, ...untold.map((u) => u.destination)])];
    if (places.length === 0) return [];
    return {
      class: 'not-sent',
      subject: resultSubject(rowId),
      detail: `${notSentWords(result, missing, untold)}; plan it: drumline delivery plan ${receiptId}`,
      receiptId,
      containerLabel,
      destination: places.length === 1 ? (places[0] ?? null) : null,
      instrument,
      fault: null,
      countsFrom: countsAt,
    };
  });
}

/** The least revision that a required destination has to have been sent; null where it needs none. */
function leastRevision({ state, revision }: MeasuredResult): number | null {
  if (state === 'accepted') return revision;
  return state === 'superseded' ? 1 : null;
}

function notSentWords(
  { resultId, state, revision }: MeasuredResult,
  missing: readonly string[],
  untold: NonNullable<MeasuredResult['untold']>,
): string {
  const now = state === 'accepted' ? `accepted, revision ${revision}` : state;
  const held = untold.map(
    (u) =>
      `${u.destination} has revision ${u.revision} of result ${resultId}, which does not stand any more (it is ${now}), and was never told`,
  );
  if (missing.length === 0) return held.join('; ');
  const what = state === 'accepted' && revision > 1 ? `revision ${revision} of result` : 'result';
  return [
    `${what} ${resultId} was never sent to ${missing.join(' and ')}, which the site requires`,
    ...held,
  ].join('; ');
}

function sentTo(rowId: string, { destination }: Pick<SentDelivery, 'destination'>): string {
  return JSON.stringify([rowId, destination]);
}

function fromDelivery(
  delivery: SentDelivery,
  options: Pick<Comparison, 'now' | 'overdueAfterMs'>,
): Discrepancy[] {
  const isOverdue = isLate(delivery, options);
  return deliveryClasses(delivery, isOverdue).map((discrepancyClass) => ({
    class: discrepancyClass,
    subject: deliverySubject(delivery.deliveryId),
    detail: `${delivery.subjectKind} at ${delivery.destination} is ${stateWords(delivery.state)}${delivery.reason ? `: ${delivery.reason}` : ''}`,
    receiptId: delivery.receiptId,
    containerLabel: null,
    destination: delivery.destination,
    instrument: null,
    fault: delivery.fault,
    countsFrom: delivery.createdAt,
  }));
}

export function deliverySubject(deliveryId: string): string {
  return `delivery:${deliveryId}`;
}

/** Due, building and sending follow one another without end while a destination is away: one thing in words. */
function stateWords(state: DeliveryState): string {
  return isUnderWay(state) ? 'on its way' : state;
}

function isUnderWay(state: DeliveryState): boolean {
  return state === 'due' || state === 'building' || state === 'sending';
}

/**
 * Too long ago, or made by a clock that was ahead and was set back: how long that one takes nobody knows, and it is worth a
 * look before the clock reaches its time again.
 */
function isLate(
  { createdAt }: Pick<SentDelivery, 'createdAt'>,
  { now, overdueAfterMs }: Pick<Comparison, 'now' | 'overdueAfterMs'>,
): boolean {
  return now > addMs(createdAt, overdueAfterMs) || now < addMs(createdAt, -overdueAfterMs);
}

/** The last instants before which `isLate` turns. */
function turnsOf({ createdAt }: Pick<SentDelivery, 'createdAt'>, overdueAfterMs: number) {
  const early = addMs(createdAt, -overdueAfterMs);
  return [(early - 1) as Instant, addMs(createdAt, overdueAfterMs)];
}

/** When one of these becomes overdue, or no longer is, if nothing changes before; null when none will. */
export function nextOverdueAt(
  deliveries: readonly SentDelivery[],
  options: Pick<Comparison, 'now' | 'overdueAfterMs'>,
): Instant | null {
  let next: Instant | null = null;
  for (const d of standingDeliveries(deliveries)) {
    if (!deliveryClasses(d, true).includes('overdue')) continue;
    for (const at of turnsOf(d, options.overdueAfterMs)) {
      if (at >= options.now && (next === null || at < next)) next = at;
    }
  }
  return next;
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
