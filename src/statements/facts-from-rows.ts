import type { RecheckAnswer } from '../checks/recheck.js';
import type { Instant } from '../formats/instant.js';
import type { ReceiptLine } from '../receipts/expectation-line.js';
import type { SamplingPlan } from '../receipts/sampling-plan.js';
import { parseScope } from '../reconciliation/discrepancies.js';
import type { Signature } from '../signatures/signature.js';
import type { Decision, Environment, Mode, Origin } from '../site/vocabulary.js';
import { DECISIONS, ENVIRONMENTS } from '../site/vocabulary.js';
import type {
  ContainerRow,
  DeliveryRow,
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
  ReceiptFacts,
  ResultFact,
  ReviewFact,
  StopFact,
} from './facts.js';
import { isLiftOf } from './lift-signature.js';

/** Of an announcement, what says where and from when evidence could be the receipt's. */
export type AnnouncedPlace = Pick<ReceiptLine, 'area' | 'receivedAt'>;

/** Rows into facts. What a row does not say readably becomes null, which never counts in favour. */
export function receiptFacts(row: ReceiptRow, earlier: readonly AnnouncedPlace[]): ReceiptFacts {
  const announced = [...earlier, { area: row.area, receivedAt: row.received_at }];
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
    plan: row.plan === null ? null : (JSON.parse(row.plan) as SamplingPlan),
    areas: [...new Set(announced.map((a) => a.area).filter((a) => a !== null))],
    evidenceFrom: earliest(announced.map((a) => a.receivedAt)),
  };
}

function earliest(instants: readonly (Instant | null)[]): Instant | null {
  const known = instants.filter((instant) => instant !== null);
  return known.length < instants.length ? null : (Math.min(...known) as Instant);
}

export function containerFact(row: ContainerRow): ContainerFact {
  return { label: row.label, required: row.required === 1 };
}

export type EvidenceRow = Pick<
  ResultRow,
  | 'id'
  | 'result_id'
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
  | 'recheck'
  | 'record'
  | 'record_sha256'
  | 'element_sha256'
  | 'review_signature_id'
>;

export function resultFact(
  row: EvidenceRow,
  review: ReviewFact | null,
  cause: ReviewFact | null,
): ResultFact {
  return {
    rowId: row.id,
    resultId: row.result_id,
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
    methodId: row.method_id,
    methodVersion: row.method_version,
    methodDigest: methodDigestOf(row),
    recheck: recheckAnswerOf(row.recheck),
    measuredAt: row.measured_at,
    origin: oneOf<Origin>(row.origin, ['instrument', 'packed', 'simulated']),
    environment: oneOf<Environment>(row.environment, ENVIRONMENTS),
    instrument: row.instrument_serial,
    elementSha256: row.element_sha256,
    review,
    cause,
  };
}

/** By the digest of their record; a receipt's records are read again for every evaluation of it. */
const METHOD_DIGESTS = new Map<string, string | null>();
const METHOD_DIGESTS_MAX = 20_000;

function methodDigestOf({ record, record_sha256: key }: EvidenceRow): string | null {
  if (record === null) return null;
  if (key === null) return statedMethodDigest(record);
  const known = METHOD_DIGESTS.get(key);
  if (known !== undefined) return known;
  const digest = statedMethodDigest(record);
  if (METHOD_DIGESTS.size >= METHOD_DIGESTS_MAX) METHOD_DIGESTS.clear();
  METHOD_DIGESTS.set(key, digest);
  return digest;
}

/** The digest the bundle states for the method, as the canonical record keeps it. */
function statedMethodDigest(record: string): string | null {
  const { method } = JSON.parse(record) as {
    readonly method?: { readonly digest?: string | null };
  };
  return method?.digest ?? null;
}

export function recheckAnswerOf(recheck: string | null): RecheckAnswer | null {
  if (recheck === null) return null;
  const { answer } = JSON.parse(recheck) as { readonly answer?: string };
  return oneOf<RecheckAnswer>(answer ?? null, ['agrees', 'disagrees', 'not-recomputable']);
}

export type DeliveryEvidenceRow = Pick<
  DeliveryRow,
  'id' | 'destination' | 'state' | 'fault' | 'build'
> & { readonly subject_kind: 'result' | 'withdrawal'; readonly result_row_id: string };

/** The latest build of each message counts; rows come in the order of their builds. */
export function deliveryFacts(rows: readonly DeliveryEvidenceRow[]): DeliveryFact[] {
  const latest = new Map<string, DeliveryFact>();
  for (const row of rows) {
    latest.set(`${row.subject_kind} ${row.result_row_id} ${row.destination}`, {
      deliveryId: row.id,
      subjectKind: row.subject_kind,
      resultRowId: row.result_row_id,
      destination: row.destination,
      state: row.state,
      fault: row.fault,
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
