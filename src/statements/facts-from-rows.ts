import type { RecheckAnswer } from '../checks/recheck.js';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import type { EntryMode } from '../intake/result-bundle.js';
import {
  attributePlansMember,
  type ReceiptAttributePlan,
} from '../receipts/attribute-inspection.js';
import type { ReceiptLine } from '../receipts/expectation-line.js';
import type { SamplingPlan } from '../receipts/sampling-plan.js';
import { parseScope } from '../reconciliation/discrepancies.js';
import type { Signature } from '../signatures/signature.js';
import { type MeasuredSpan, measuredSpan } from '../site/method-force.js';
import type { Decision, Environment, Mode, Origin } from '../site/vocabulary.js';
import { DECISIONS, ENVIRONMENTS } from '../site/vocabulary.js';
import type {
  ContainerRow,
  DeliveryRow,
  DestinationWatchRow,
  DiscrepancyRow,
  ReceiptRow,
  ResultRow,
  StopRow,
} from '../storage/tables.js';
import type {
  ContainerFact,
  DeliveryFact,
  DiscrepancyFact,
  LiftFact,
  LineageFacts,
  ReceiptFacts,
  RejectionFact,
  ResultFact,
  StopFact,
  WatchFact,
} from './facts.js';
import { isLiftOf } from './lift-signature.js';

/** Of an announcement, what says where and from when evidence could be the receipt's. */
export type AnnouncedPlace = Pick<ReceiptLine, 'area' | 'receivedAt'>;

/** Rows into facts. What a row does not say readably becomes null, which never counts in favour. */
export function receiptFacts(
  row: ReceiptRow,
  attributePlans: readonly ReceiptAttributePlan[],
  earlier: readonly AnnouncedPlace[],
  lineage: LineageFacts,
  rejections: readonly RejectionFact[],
): ReceiptFacts {
  const announced = [
    ...earlier,
    ...lineage.places,
    { area: row.area, receivedAt: row.received_at },
  ];
  return {
    identity: {
      receiptId: row.id,
      receiptNumber: row.receipt_number,
      line: row.line,
      material: row.material,
      manufacturer: row.manufacturer,
      supplier: row.supplier,
      supplierLot: row.supplier_lot,
      siteLot: row.site_lot,
      area: row.area,
    },
    announced: row.announced === 1,
    revision: row.revision,
    receivedAt: row.received_at,
    dockCount: row.dock_count,
    retestAt: row.retest_at,
    scanText: row.scan_text,
    plan: planOf(row),
    ...attributePlansMember(attributePlans),
    areas: [...new Set(announced.map((a) => a.area).filter((a) => a !== null))],
    evidenceFrom: earliest(announced.map((a) => a.receivedAt)),
    status: row.status,
    ...(row.by_hand === null ? {} : { byHand: row.by_hand }),
    lineage,
    rejections,
  };
}

/** The plan that was found at the announcement. */
export function planOf(row: Pick<ReceiptRow, 'plan'>): SamplingPlan | null {
  return row.plan === null ? null : (JSON.parse(row.plan) as SamplingPlan);
}

/** The inspections it is asked for since then. */
export function attributePlansOf(
  row: Pick<ReceiptRow, 'attribute_plans'>,
): readonly ReceiptAttributePlan[] {
  const { attribute_plans: plans } = row;
  return plans === null ? [] : (JSON.parse(plans) as ReceiptAttributePlan[]);
}

function earliest(instants: readonly (Instant | null)[]): Instant | null {
  const known = instants.filter((instant) => instant !== null);
  return known.length < instants.length ? null : (Math.min(...known) as Instant);
}

export function watchFact(row: DestinationWatchRow): WatchFact {
  const { destination, hold, difference } = row;
  const why = {
    unread: 'was not looked at yet',
    changed: 'describes itself otherwise than it was approved',
  };
  const found = [hold === null ? null : why[hold], difference].filter((text) => text !== null);
  return {
    destination,
    isWatched: row.declared !== '',
    hold: found.length === 0 ? null : found.join('; '),
  };
}

export function containerFact(row: ContainerRow): ContainerFact {
  return { label: row.label, required: row.required === 1 };
}

export type EvidenceRow = Pick<
  ResultRow,
  | 'id'
  | 'result_id'
  | 'revision'
  | 'state'
  | 'mode'
  | 'decision'
  | 'contrary'
  | 'matched_material'
  | 'material'
  | 'lot'
  | 'receipt_scanned'
  | 'container_scanned'
  | 'container_label'
  | 'method_id'
  | 'method_version'
  | 'measured_at'
  | 'origin'
  | 'environment'
  | 'instrument_serial'
  | 'run_epoch'
  | 'run_number'
  | 'recheck'
  | 'record'
  | 'record_sha256'
  | 'element_sha256'
  | 'review_signature_id'
  | 'receipt_id'
> & {
  /** 1 while its bundle is owed a second look. */
  readonly awaits_look: 0 | 1;
};

/** True when receipt and container were both scanned, so that nobody has to compare labels. */
export function isScannedRow(row: EvidenceRow): boolean {
  const { receiptEntry, containerEntry } = statedBy(row);
  return receiptEntry === 'scanned' && containerEntry === 'scanned';
}

/** @param verifiedBy second persons by row id of the result whose labels they compared */
export function resultFact(
  row: EvidenceRow,
  signed: SignedFacts,
  verifiedBy: ReadonlyMap<string, string>,
): ResultFact {
  const stated = statedBy(row);
  return {
    rowId: row.id,
    resultId: row.result_id,
    revision: row.revision,
    state: row.state,
    mode: oneOf<Mode>(row.mode, ['verification', 'identification']),
    decision: oneOf<Decision>(row.decision, DECISIONS),
    contrary: row.contrary === 1,
    matchedMaterial: row.matched_material,
    material: row.material,
    lot: row.lot,
    receiptScanned: row.receipt_scanned,
    containerScanned: row.container_scanned,
    containerLabel: row.container_label,
    receiptEntry: stated.receiptEntry,
    containerEntry: stated.containerEntry,
    labelsVerifiedBy: verifiedBy.get(row.id) ?? null,
    methodId: row.method_id,
    methodVersion: row.method_version,
    methodDigest: stated.methodDigest,
    recheck: recheckAnswerOf(row.recheck),
    measuredAt: row.measured_at,
    measuredSpan: measuredSpanOf(row),
    origin: oneOf<Origin>(row.origin, ['instrument', 'packed', 'simulated']),
    environment: oneOf<Environment>(row.environment, ENVIRONMENTS),
    instrument: row.instrument_serial,
    runEpoch: row.run_epoch,
    runNumber: row.run_number,
    ...(row.awaits_look === 1 ? { awaitsSecondLook: true } : {}),
    elementSha256: row.element_sha256,
    ...signed,
  };
}

/** When it can have been measured; null where the row does not say. */
export function measuredSpanOf(
  row: Pick<EvidenceRow, 'measured_at' | 'record' | 'record_sha256'>,
): MeasuredSpan | null {
  if (row.measured_at === null) return null;
  const { reported, timeSource, takenIn } = statedBy(row);
  return measuredSpan(row.measured_at, reported, timeSource, takenIn);
}

/** What persons signed about a result. */
export type SignedFacts = Pick<ResultFact, 'review' | 'cause' | 'attribution'>;

/** What only the canonical record says of a result. */
interface Stated {
  readonly methodDigest: string | null;
  readonly receiptEntry: EntryMode | null;
  readonly containerEntry: EntryMode | null;
  /** Time of measurement as reported, and where its offset is from. */
  readonly reported: string | null;
  readonly timeSource: string | null;
  /** When its bundle came. */
  readonly takenIn: Instant | null;
}

const NOTHING: Stated = {
  methodDigest: null,
  receiptEntry: null,
  containerEntry: null,
  reported: null,
  timeSource: null,
  takenIn: null,
};

/** By the digest of their record; a receipt's records are read again for every evaluation of it. */
const STATED = new Map<string, Stated>();
const STATED_MAX = 20_000;

function statedBy({
  record,
  record_sha256: key,
}: Pick<EvidenceRow, 'record' | 'record_sha256'>): Stated {
  if (record === null) return NOTHING;
  if (key === null) return readStated(record);
  const known = STATED.get(key);
  if (known !== undefined) return known;
  const stated = readStated(record);
  if (STATED.size >= STATED_MAX) STATED.clear();
  STATED.set(key, stated);
  return stated;
}

const ENTRY_MODES: readonly EntryMode[] = ['scanned', 'typed', 'chosen', 'carried-over'];

function readStated(record: string): Stated {
  const { bundle, method, receipt, container, measuredAt } = JSON.parse(record) as {
    readonly bundle?: { readonly receivedAt?: string } | null;
    readonly method?: { readonly digest?: string | null };
    readonly receipt?: { readonly entry?: string } | null;
    readonly container?: { readonly entry?: string } | null;
    readonly measuredAt?: { readonly reported?: string; readonly source?: string } | null;
  };
  return {
    methodDigest: method?.digest ?? null,
    receiptEntry: oneOf(receipt?.entry ?? null, ENTRY_MODES),
    containerEntry: oneOf(container?.entry ?? null, ENTRY_MODES),
    reported: measuredAt?.reported ?? null,
    timeSource: measuredAt?.source ?? null,
    takenIn: parseTimestamp(bundle?.receivedAt ?? '')?.instant ?? null,
  };
}

export function recheckAnswerOf(recheck: string | null): RecheckAnswer | null {
  if (recheck === null) return null;
  const { answer } = JSON.parse(recheck) as { readonly answer?: string };
  return oneOf<RecheckAnswer>(answer ?? null, ['agrees', 'disagrees', 'not-recomputable']);
}

export type DeliveryEvidenceRow = Pick<
  DeliveryRow,
  'id' | 'destination' | 'state' | 'fault' | 'build' | 'subject_revision' | 'attempts_before'
> & { readonly subject_kind: 'result' | 'withdrawal'; readonly result_row_id: string };

/** The latest build of each message counts; rows come in the order of revisions, and of builds in them. */
export function deliveryFacts(rows: readonly DeliveryEvidenceRow[]): DeliveryFact[] {
  const latest = new Map<string, DeliveryFact>();
  for (const row of rows) {
    const { subject_kind, result_row_id, subject_revision } = row;
    latest.set(`${subject_kind} ${result_row_id} ${subject_revision} ${row.destination}`, {
      deliveryId: row.id,
      subjectKind: subject_kind,
      resultRowId: result_row_id,
      resultRevision: subject_revision,
      destination: row.destination,
      state: row.state,
      fault: row.fault,
      isSentAgain: row.build > 1 || row.attempts_before > 0,
    });
  }
  return [...latest.values()];
}

export function discrepancyFact(row: DiscrepancyRow): DiscrepancyFact {
  return {
    id: row.id,
    class: row.class,
    subject: row.subject,
    detail: row.detail,
    owned: row.receipt_id !== null,
    scope: parseScope(row.scope),
  };
}

/** @param signatures of the lifts, by their ids */
export function stopFact(row: StopRow, signatures: ReadonlyMap<string, Signature>): StopFact {
  return {
    stopId: row.id,
    kind: row.kind,
    reason: row.reason,
    issuedAt: row.issued_at,
    statementRevision: row.statement_revision,
    effectiveAt: row.effective_at,
    lift: liftFact(row, signatures),
  };
}

function liftFact(row: StopRow, signatures: ReadonlyMap<string, Signature>): LiftFact | null {
  const { lift_signature_id: signatureId } = row;
  if (signatureId === null) return null;
  return {
    signatureId,
    isValid: isLiftOf(signatures.get(signatureId), row.id),
    investigation: row.investigation ?? '',
    revision: row.lift_revision ?? 0,
  };
}

function oneOf<T extends string>(value: string | null, allowed: readonly T[]): T | null {
  return allowed.find((a) => a === value) ?? null;
}
