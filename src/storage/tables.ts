// Longer than other files: the columns of every table in one list, as the database has them.

import type { Generated } from 'kysely';
import type { Instant } from '../formats/instant.js';

/**
 * Rows as both databases hold them: ids and decimals as text, instants as microseconds UTC, JSON as
 * text, booleans as 0 or 1. Migrations in `migrations/` create exactly these tables.
 */
export interface Tables {
  instance: InstanceRow;
  site: SiteRow;
  site_evidence: SiteEvidenceRow;
  raw_bytes: BytesRow;
  payload_bytes: BytesRow;
  bundle: BundleRow;
  lane: LaneRow;
  intake_key: IntakeKeyRow;
  finding: FindingRow;
  result: ResultRow;
  measured_trace: MeasuredTraceRow;
  named_id: NamedIdRow;
  second_look: SecondLookRow;
  performance_check: PerformanceCheckRow;
  instrument_state: InstrumentStateRow;
  instrument_service: InstrumentServiceRow;
  receipt: ReceiptRow;
  receipt_revision: ReceiptRevisionRow;
  receipt_news: ReceiptNewsRow;
  receipt_link: ReceiptLinkRow;
  receipt_request: ReceiptRequestRow;
  inbound_revision: InboundRevisionRow;
  inbound_document: InboundDocumentRow;
  inbound_line: InboundLineRow;
  container_relabel: ContainerRelabelRow;
  drum_number: DrumNumberRow;
  label_verification: LabelVerificationRow;
  attribute_inspection: AttributeInspectionRow;
  inspection_lift: InspectionLiftRow;
  attribution: AttributionRow;
  container_rejection: ContainerRejectionRow;
  container: ContainerRow;
  discrepancy: DiscrepancyRow;
  discrepancy_event: DiscrepancyEventRow;
  comparison_mark: ComparisonMarkRow;
  comparison_state: ComparisonStateRow;
  comparison_due: ComparisonDueRow;
  comparison_cell: ComparisonCellRow;
  comparison_receipt: ComparisonReceiptRow;
  period: PeriodRow;
  period_addendum: PeriodAddendumRow;
  period_change: PeriodChangeRow;
  statement: StatementRow;
  stop: StopRow;
  stop_escalation: StopEscalationRow;
  statement_pull: StatementPullRow;
  withdrawal: WithdrawalRow;
  destination: DestinationRow;
  destination_watch: DestinationWatchRow;
  destination_holding: DestinationHoldingRow;
  sweep: SweepRow;
  sweep_item: SweepItemRow;
  shared_difference: SharedDifferenceRow;
  mapping_revision: MappingRevisionRow;
  method_registry: MethodRegistryRow;
  method_reference: MethodReferenceRow;
  method_version: MethodVersionRow;
  method_event: MethodEventRow;
  ordering_key: OrderingKeyRow;
  delivery: DeliveryRow;
  delivery_act: DeliveryActRow;
  attempt: AttemptRow;
  worker: WorkerRow;
  api_key: ApiKeyRow;
  audit_entry: AuditEntryRow;
  account: AccountRow;
  account_role: AccountRoleRow;
  account_operator: AccountOperatorRow;
  account_predecessor: AccountPredecessorRow;
  session: SessionRow;
  sign_in_tries: SignInTriesRow;
  trail_head: TrailHeadRow;
  trail_checkpoint: TrailCheckpointRow;
  trail_review: TrailReviewRow;
  signature: SignatureRow;
  signing_sitting: SigningSittingRow;
}

/** Why a database reads its destinations back before it sends anything (rule 28). */
export type RecoveryCause = 'restored' | 'copied' | 'older-file';

/** One row: which life of this database is running. A copy or a restore starts a new epoch. */
export interface InstanceRow {
  id: string;
  epoch: number;
  created_at: Instant;
  /** Digest of where this database lives; null before its first start there. */
  place: string | null;
  /** Counted up while it runs; a file beside the database that knows a higher one has seen a later state of it. */
  tick: number;
  /** Set while it waits for its read-backs and a person; null in ordinary life. */
  recovering: RecoveryCause | null;
  recovering_since: Instant | null;
  /** No fact of this database is younger, when it was last restored or copied: what came after may be elsewhere. */
  facts_until: Instant | null;
}

/** The site folder content the service last ran from, kept by digest. */
export interface SiteRow {
  site: string;
  digest: string;
  /** JSON: file name to text of the folder, so that what ran can be shown later. */
  content: string;
  activated_at: Instant;
}

/** Locked exclusively by evidence that has no owner, shared by every evaluation. */
export interface SiteEvidenceRow {
  site: string;
  version: number;
}

export interface BytesRow {
  sha256: string;
  size: number;
  bytes: Uint8Array;
}

export type BundleState = 'received' | 'accepted' | 'held' | 'refused' | 'duplicate' | 'parked';

export interface BundleRow {
  /** Our intake id (UUIDv7). */
  id: string;
  site: string;
  /** As the document claims; null when unreadable. */
  bundle_id: string | null;
  raw_sha256: string;
  canonical_digest: string | null;
  state: BundleState;
  /** Intake id of the first bundle with the same content, when state is duplicate. */
  duplicate_of: string | null;
  source_kind: 'http' | 'folder';
  /** API key id, or the watched folder's name. */
  source_name: string;
  file_name: string | null;
  received_at: Instant;
  settled_at: Instant | null;
  environment: string | null;
  origin: string | null;
  instrument_serial: string | null;
  run_epoch: number | null;
  run_first: number | null;
  run_last: number | null;
  /** Processes that died while examining it; three park it. */
  strikes: number;
  /** The worker that examines it; of a worker that is gone, what may have ended it. */
  examining_by: string | null;
  /** `lane.name`: the serial its document names, unverified; '' when it names none. */
  lane: string;
}

/** Bundles that are settled in the order they arrived. One worker at a time has it. */
export interface LaneRow {
  site: string;
  name: string;
  worker: string | null;
  /** Counted up by every claim: a settling that names an older one changes nothing. */
  fence: number;
}

/**
 * Bundle and result ids that some document has named (`bundle:…`, `result:…`): a row to lock, so that of two
 * processes that settle the same id at the same moment the second sees what the first has stored.
 */
export interface NamedIdRow {
  site: string;
  id: string;
}

/** Idempotency-Key of a caller and what it was used for. */
export interface IntakeKeyRow {
  caller: string;
  key: string;
  raw_sha256: string;
  bundle_row_id: string;
  created_at: Instant;
}

export interface FindingRow {
  id: string;
  site: string;
  bundle_row_id: string;
  /** `result.id` when the finding is about one result. */
  result_row_id: string | null;
  code: string;
  severity: 'hold' | 'remark';
  pointer: string;
  message: string;
  advice: string;
  numbers: string | null;
}

/** refused: by a reviewer, signed; it stays visible, and a contrary one still counts. */
export type ResultState = 'accepted' | 'held' | 'superseded' | 'refused';

export interface ResultRow {
  /** Our row id (UUIDv7). */
  id: string;
  site: string;
  result_id: string;
  revision: number;
  bundle_row_id: string;
  pointer: string;
  state: ResultState;
  instrument_serial: string | null;
  run_epoch: number | null;
  run_number: number | null;
  mode: string | null;
  decision: string | null;
  /** 1 when the decision is contrary whatever the receipt expects, or names another material. */
  contrary: 0 | 1;
  /** `receipt.id` once the scan was matched; null while unowned. */
  receipt_id: string | null;
  receipt_scanned: string | null;
  container_scanned: string | null;
  /** GTIN and serial number that were scanned as the container, see `drumNumber`; null of any other text. */
  drum_number: string | null;
  /** `container.label` once matched. */
  container_label: string | null;
  material: string | null;
  /** Material named by the best candidate of a match. */
  matched_material: string | null;
  lot: string | null;
  method_id: string | null;
  method_version: string | null;
  operator_id: string | null;
  measured_at: Instant | null;
  measured_text: string | null;
  environment: string | null;
  origin: string | null;
  recheck: string | null;
  /** Canonical record, JSON; null when the bundle was too broken to build one. */
  record: string | null;
  record_sha256: string | null;
  animl_sha256: string | null;
  animl_writer: string | null;
  spectrum_sha256: string | null;
  /** See `intensityDigest`; null also of results that were stored before there was one. */
  intensity_sha256: string | null;
  /** Digest of the result as its bundle holds it: the same id with another digest is a conflict. */
  element_sha256: string;
  /** Result id that this one supersedes by its own word. */
  supersedes: string | null;
  /** `signature.id` of the signature that cleared or refused it last; null when nobody did. */
  review_signature_id: string | null;
}

/** A bundle to be compared with what was settled beside it; the row goes with the look. */
export interface SecondLookRow {
  bundle_row_id: string;
  site: string;
}

/** What of a result later ones are compared with; no row where there is nothing. */
export interface MeasuredTraceRow {
  /** `result.id`. */
  result_row_id: string;
  site: string;
  /** Noise is looked for among that of its key, of its method and the latest of all, see `NoisePattern`. */
  noise_key: string | null;
  /** null also of results that were stored before it was kept. */
  noise_method: string | null;
  noise: string | null;
  /** See `encodeCurve`; null also of results that were stored before it was kept. */
  noise_curve: string | null;
  /** Number of the disposable cover, normalised. */
  probe_cover: string | null;
}

export interface PerformanceCheckRow {
  id: string;
  site: string;
  bundle_row_id: string;
  check_id: string;
  instrument_serial: string;
  run_epoch: number;
  run_number: number;
  checked_at: Instant;
  standard: string;
  /** As reported. */
  outcome: 'pass' | 'fail';
  document: string;
  element_sha256: string;
  /** As judged when it was taken in; what was taken in before checks were judged is void unless it failed. */
  verdict: 'pass' | 'fail' | 'void';
  /** `PerformanceJudgement`, JSON; null when nothing was judged. */
  judgement: string | null;
}

/** The chain of an instrument: what it is expected to send next. */
export interface InstrumentStateRow {
  site: string;
  serial: string;
  epoch: number;
  last_run: number;
  last_bundle_sha256: string | null;
  /** Latest sync of an accepted bundle, by the slower of its clocks; 0 before the first. */
  heard_at: Instant;
  /** JSON `RunRange[]`: the runs its bundles hold something for, joined; what lies between is a gap. */
  covered: string;
}

/** That an instrument was in service in an area by the site folder in force then. */
export interface InstrumentServiceRow {
  site: string;
  serial: string;
  area: string;
  /** 0 where nothing is known of a time before. */
  from_at: Instant;
  /** Exclusive; null while the folder in force says so. */
  to_at: Instant | null;
}

export interface ReceiptRow {
  /** Opaque receipt id as ERP or the CSV gave it. */
  id: string;
  site: string;
  /** 0: only a scan named it so far. */
  announced: 0 | 1;
  receipt_number: string | null;
  line: string | null;
  material: string | null;
  manufacturer: string | null;
  supplier: string | null;
  supplier_lot: string | null;
  site_lot: string | null;
  quantity: string | null;
  area: string | null;
  received_at: Instant | null;
  dock_count: number | null;
  counted_by: string | null;
  retest_at: Instant | null;
  /** Text a scan of the receipt shows; unique in the site. */
  scan_text: string;
  /** JSON `SamplingPlan`, fixed when the receipt was announced; null when no plan is in force. */
  plan: string | null;
  /** JSON list of `ReceiptAttributePlan`; null when the receipt is asked for no inspection. */
  attribute_plans: string | null;
  /** Number of the expectation revision in force. */
  revision: number;
  facts_version: number;
  /**
   * 1 while a fact changed that a later evaluation has to look at; 2 while its containers are covered and
   * it waits for news from elsewhere, such as the sync of another instrument.
   */
  evaluation_due: 0 | 1 | 2;
  /** Highest statement revision that a destination was found to hold; the next one lies above it. */
  revision_floor: number;
  /**
   * Highest revision of a statement that a destination was found to hold, that no delivery accounts for and that may have
   * let it release; no stop of that life stands above it. 0 for none.
   */
  held_permission: number;
  /** Printed name of who announced what is in force by hand; null when a system did. */
  by_hand: string | null;
  status: ReceiptStatus;
  /** 1 once a `receipt_link` names it, as source or as what came of one. */
  linked: 0 | 1;
}

/** `split` and `merged`: closed, its containers went to the receipts that `receipt_link` points to. */
export type ReceiptStatus = 'open' | 'cancelled' | 'split' | 'merged';

export type ReceiptLinkKind = 'split' | 'split-off' | 'merged' | 'returned' | 'opened' | 'repacked';

/** Containers of one receipt went to another. */
export interface ReceiptLinkRow {
  id: string;
  site: string;
  kind: ReceiptLinkKind;
  from_receipt: string;
  to_receipt: string;
  /** JSON `LinkDocument`: what the source was when they went. */
  document: string;
  /** Contrary results of the source when they went: a later one is told from those a signed act knew. */
  known_contrary: number;
  reason: string;
  actor: string;
  at: Instant;
  /** Signed act that answers for what came of a source that did not conform; null while there is none. */
  signature_id: string | null;
}

/** What an `Idempotency-Key` of a caller was used for on a receipt, and what was answered. */
export interface ReceiptRequestRow {
  caller: string;
  key: string;
  request_sha256: string;
  answer: string;
  at: Instant;
}

/** A revision of a source's inbound mapping. */
export interface InboundRevisionRow {
  site: string;
  source: string;
  digest: string;
  /** JSON: file name to text. */
  content: string;
  activated_at: Instant;
  activated_by: string;
  approved_by: string;
  /** 1 for the revision that documents are read by. */
  active: 0 | 1;
}

/** What a source sent, as it came; its bytes are in `raw_bytes`. */
export interface InboundDocumentRow {
  id: string;
  site: string;
  source: string;
  mapping_digest: string;
  raw_sha256: string;
  content_type: string;
  /** Kind and id of who sent it. */
  caller: string;
  outcome: 'taken' | 'refused';
  /** JSON list of texts, when it was refused. */
  faults: string | null;
  at: Instant;
}

/** What one line of a document did. */
export interface InboundLineRow {
  document_id: string;
  position: number;
  site: string;
  source: string;
  receipt_id: string;
  /** Where it stands in the document. */
  place: string;
  change: string;
  /** The source's own counting, 18 digits with leading zeros so that texts sort as numbers; null without one. */
  sequence: string | null;
  body_sha256: string;
  /** `overtaken`: the source had said something later before, so this changed nothing. */
  outcome: string;
  /** Of the receipt afterwards; null when nothing was done. */
  revision: number | null;
}

/** A label printed anew: the old one still names the same container. */
export interface ContainerRelabelRow {
  id: string;
  site: string;
  receipt_id: string;
  old_label: string;
  old_key: string;
  new_label: string;
  new_key: string;
  witness: string;
  reason: string;
  actor: string;
  at: Instant;
}

/**
 * A receipt lists, or listed, a container that is one thing in the world by GTIN and serial number, under this key: the number
 * goes with the container when its label is printed anew, and to whatever receipt it goes on to. Rows stay.
 */
export interface DrumNumberRow {
  site: string;
  receipt_id: string;
  /** `container.normalised`, now or before. */
  key: string;
  /** See `drumNumber`. */
  number: string;
}

/** A second person compared a label that was not scanned with the container itself. */
export interface LabelVerificationRow {
  id: string;
  site: string;
  result_row_id: string;
  container_label: string;
  /** What the person read off container and receipt. */
  seen_label: string;
  seen_receipt: string;
  verified_by: string;
  signature_id: string;
  at: Instant;
}

/** What a person counted by looking at the labels or for damage of a receipt's containers; never changed. */
export interface AttributeInspectionRow {
  id: string;
  site: string;
  receipt_id: string;
  /** Expectation revision that was in force. */
  receipt_revision: number;
  attribute: 'labels' | 'damage';
  /** Containers. */
  inspected: number;
  nonconforming: number;
  /** 1 when a plan of the receipt rejected it as it was entered. */
  rejected: 0 | 1;
  /** Name of who looked, as it was given. */
  inspected_by: string;
  /** When, as it was given, and as an instant. */
  inspected_text: string;
  inspected_at: Instant;
  /** Account that signed it. */
  reported_by: string;
  signature_id: string;
  shown_sha256: string;
  at: Instant;
}

/** A signed act by which an inspection that rejected counts no more: it was entered wrongly. Never changed. */
export interface InspectionLiftRow {
  inspection_id: string;
  site: string;
  receipt_id: string;
  /** Number of the investigation. */
  investigation: string;
  signature_id: string;
  at: Instant;
}

/** Somebody says that a result is of another receipt or container, or whose it is; a signature makes it so. */
export interface AttributionRow {
  id: string;
  site: string;
  result_row_id: string;
  /** Where the result was when it was signed; before, when it was proposed. null without an owner. */
  from_receipt: string | null;
  from_label: string | null;
  to_receipt: string;
  /** Label of the container as `to_receipt` lists it. */
  to_label: string;
  /** What a person read off receipt label and container, and who that was. */
  seen_receipt: string;
  seen_container: string;
  seen_lot: string | null;
  seen_by: string;
  reason: string;
  /** Account id, and the name that was printed then. */
  proposed_by: string;
  proposed_name: string;
  proposed_at: Instant;
  state: AttributionState;
  decided_at: Instant | null;
  signature_id: string | null;
  /** Revision of the result that it made; null unless it was signed. */
  result_revision: number | null;
  /** Revision of `to_receipt` at which its signature was last found to hold. */
  judged_revision: number | null;
}

/** overtaken: another attribution of the same result was signed. */
export type AttributionState = 'open' | 'signed' | 'declined' | 'overtaken';

/** A container that a signed act rejects; ERP says when it is split off. */
export interface ContainerRejectionRow {
  id: string;
  site: string;
  receipt_id: string;
  container_key: string;
  container_label: string;
  reason: string;
  investigation: string;
  signature_id: string;
  at: Instant;
  /** Receipt the container went to, when, and by whose key; null until ERP says so. */
  split_off_to: string | null;
  split_off_at: Instant | null;
  split_off_by: string | null;
}

export interface ReceiptRevisionRow {
  id: string;
  site: string;
  receipt_id: string;
  revision: number;
  document: string;
  source: string;
  actor: string;
  at: Instant;
}

/** Something happened that receipts may wait for: they are to be marked due, see `applyNews`. */
export interface ReceiptNewsRow {
  id: string;
  site: string;
}

export interface ContainerRow {
  site: string;
  receipt_id: string;
  label: string;
  /** Label after the site's normalisation; unique in the receipt. */
  normalised: string;
  /** 1 when the plan asks for it. */
  required: 0 | 1;
  position: number;
}

export type DiscrepancyClass =
  | 'not-measured'
  | 'not-expected'
  | 'run-gap'
  | 'run-overlap'
  | 'held'
  | 'unreadable'
  | 'conflict'
  | 'performance-failed'
  | 'contrary-unowned'
  | 'attribution-open'
  | 'rejected-container'
  | 'not-sent'
  | 'overdue'
  | 'rejected'
  | 'parked'
  | 'uncertain'
  | 'absent'
  | 'differs'
  | 'duplicate-at-destination'
  | 'unknown-at-source'
  | 'destination-changed'
  | 'stop-not-effective';

/** A discrepancy: opened by an event or by the comparison. Closed by evidence of its class, never by words. */
export interface DiscrepancyRow {
  id: string;
  site: string;
  class: DiscrepancyClass;
  /** What it is about, stable: `run-gap:NQ-R-0003:1:14-15`, `delivery:<id>`; unique while open. */
  subject: string;
  receipt_id: string | null;
  container_label: string | null;
  destination: string | null;
  /** JSON `EvidenceScope`: which receipts it could belong to while it has no owner; null when owned. */
  scope: string | null;
  detail: string;
  opened_at: Instant;
  closed_at: Instant | null;
  closing_evidence: string | null;
  /** 1 when the comparison opened it and closes it: it is worked out from rows that statements read themselves. */
  derived: 0 | 1;
  /** From when it counts: the day it belongs to; `opened_at` when null. */
  counts_from: Instant | null;
  instrument: string | null;
  /** Fault of its delivery, by which one dead destination is one group. */
  fault: string | null;
  /** `role:<role>` or `person:<name>`; null: the role its class names. */
  owner: string | null;
}

/** What people did about a discrepancy; never changed, never deleted. */
export interface DiscrepancyEventRow {
  id: string;
  site: string;
  discrepancy_id: string;
  at: Instant;
  kind: 'comment' | 'evidence' | 'owner';
  actor_kind: AuditEntryRow['actor_kind'];
  actor: string;
  text: string;
  /** What the evidence is or who the owner is. */
  reference: string | null;
}

/** Something that was changed since it was compared; written by triggers. */
export interface ComparisonMarkRow {
  n: Generated<number>;
  site: string;
  /** `again`: not changed itself, compared again for another reason. A `discrepancy` is not compared, only noted. */
  kind: 'receipt' | 'result' | 'delivery' | 'result-again' | 'delivery-again' | 'discrepancy';
  /** `receipt.id`, `result.id`, `delivery.id` or `discrepancy.id`. */
  subject: string;
  /**
   * What the change made it: the state of a result or a delivery, `opened` or `closed` for a discrepancy; null for what has
   * none, and in marks of earlier versions.
   */
  state: string | null;
  /** Of a result with a state: where the change put it. */
  receipt_id: string | null;
  container_label: string | null;
}

/** When a delivery of something without a receipt becomes overdue: then it is compared again. */
export interface ComparisonDueRow {
  site: string;
  kind: 'result-again' | 'delivery-again';
  subject: string;
  due_at: Instant;
}

/** One row a site, locked by whoever compares: rounds come one after the other. */
export interface ComparisonStateRow {
  site: string;
  /** JSON of what besides rows the comparison depends on; other settings compare everything again. */
  settings: string;
}

/**
 * Results by measured day, receipt and instrument; '' where there is none. `destination` '' counts results,
 * and as delivered and confirmed those that every required destination has; any other counts what that one has.
 */
export interface ComparisonCellRow {
  site: string;
  /** `YYYY-MM-DD` in the site's zone. */
  day: string;
  receipt_id: string;
  instrument: string;
  destination: string;
  accepted: number;
  held: number;
  refused: number;
  superseded: number;
  delivered: number;
  confirmed: number;
}

/** Containers of an announced receipt. */
export interface ComparisonReceiptRow {
  site: string;
  receipt_id: string;
  /** Day of its goods receipt in the site's zone; '' when not known. */
  day: string;
  containers: number;
  /** Containers its plan asks for. */
  expected: number;
  /** Of those, the ones with an accepted result. */
  measured: number;
  /** When a delivery becomes overdue next, unless something changes before. */
  next_due_at: Instant | null;
}

/** A closed period of a site; `[from_at, to_at)` by measured time. */
export interface PeriodRow {
  id: string;
  site: string;
  from_at: Instant;
  to_at: Instant;
  /** JSON `PeriodDocument` as it was signed. */
  document: string;
  digest: string;
  closed_at: Instant;
  closed_by: string;
  /** Id of the signature. */
  signature: string;
  reason: string;
}

/** What changed about a closed period, numbered from 1; open until it is signed itself. */
export interface PeriodAddendumRow {
  id: string;
  site: string;
  period_id: string;
  number: number;
  opened_at: Instant;
  closed_at: Instant | null;
  closed_by: string | null;
  signature: string | null;
  reason: string | null;
  document: string | null;
  digest: string | null;
}

export interface PeriodChangeRow {
  id: string;
  site: string;
  addendum_id: string;
  /** Place in its addendum, from 1 without a gap: the order in which it was noted, whatever the clocks said. */
  number: number;
  at: Instant;
  subject: string;
  detail: string;
}

export interface StatementRow {
  site: string;
  receipt_id: string;
  revision: number;
  outcome: string;
  document: string;
  digest: string;
  facts_version: number;
  evaluated_at: Instant;
}

export interface StopRow {
  id: string;
  site: string;
  receipt_id: string;
  kind: 'suspend' | 'withdraw';
  statement_revision: number;
  reason: string;
  issued_at: Instant;
  /** Set when every acting destination's read-back showed it. */
  effective_at: Instant | null;
  /** A signed act lifted it; null while it is in force, as are the three columns below. */
  lifted_at: Instant | null;
  lift_signature_id: string | null;
  /** Reference number of the investigation the act rests on. */
  investigation: string | null;
  /** Latest statement revision when it was lifted: a *conforms* behind it is a new one. */
  lift_revision: number | null;
}

/** One try to tell a person of a stop that is not effective. */
export interface StopEscalationRow {
  id: string;
  site: string;
  stop_id: string;
  /** From 1, in the order of the tries. */
  number: number;
  channel: string;
  recipient: string;
  person: string;
  why: string;
  at: Instant;
  finished_at: Instant | null;
  /**
   * null while it is sent, and for good when the process ended meanwhile; null too for a destination, whose delivery
   * says what came of it.
   */
  outcome: 'sent' | 'failed' | null;
  detail: string | null;
}

export interface StatementPullRow {
  id: string;
  site: string;
  receipt_id: string;
  revision: number;
  outcome: string;
  caller: string;
  at: Instant;
}

export interface WithdrawalRow {
  id: string;
  site: string;
  result_row_id: string;
  result_id: string;
  result_revision: number;
  receipt_id: string | null;
  reason: string;
  document: string;
  issued_at: Instant;
}

export interface DestinationRow {
  site: string;
  name: string;
  tokens: number;
  tokens_at: Instant;
  breaker: 'closed' | 'open';
  breaker_failures: number;
  breaker_until: Instant | null;
  paused: 0 | 1;
  pause_reason: string | null;
  /** A person's pause that lies under the one after a restore, and stands again when that ends. */
  pause_kept: string | null;
}

/** What a destination says of itself, and what of that a person approved (rule 27). */
export interface DestinationWatchRow {
  site: string;
  destination: string;
  /** Digest of what the mapping declares to be watched. */
  declared: string;
  approved_digest: string | null;
  /** JSON: path to texts, as `seen_document`. */
  approved_document: string | null;
  approved_at: Instant | null;
  seen_digest: string | null;
  seen_document: string | null;
  seen_at: Instant | null;
  /** Why no new *conforms* goes there; null when none is held. */
  hold: 'unread' | 'changed' | null;
  hold_since: Instant | null;
  /** A read-back difference that many records share: holds new *conforms* too. */
  difference: string | null;
  difference_since: Instant | null;
  /** 1 after a start or a reconnection: no *conforms* leaves before it was looked at again. */
  must_look: 0 | 1;
  look_at: Instant;
  /** Why the last look brought nothing. */
  detail: string | null;
}

/** A message that a destination was found to hold and that no delivery of ours accounts for. */
export interface DestinationHoldingRow {
  site: string;
  destination: string;
  /** Its own number there, else its reference, else a digest of it. */
  identity: string;
  reference: string | null;
  message: SubjectKind | null;
  receipt_id: string | null;
  /** result and withdrawal: result id; statement and stop: receipt id; period: period id. */
  subject: string | null;
  revision: number | null;
  held_at: Instant | null;
  /** 1 when it may let the destination release. */
  may_permit: 0 | 1;
  /** JSON: the message as it was listed. */
  item: string;
  first_sweep: string;
  last_sweep: string;
  /** When it was accounted for, or was no longer there. */
  settled_at: Instant | null;
}

export type SweepCause = 'schedule' | 'person' | 'recovery';
export type SweepState = 'listing' | 'comparing' | 'done' | 'failed';

/** One look at everything that a destination holds of a period. */
export interface SweepRow {
  id: string;
  site: string;
  destination: string;
  cause: SweepCause;
  /** Deliveries that got there in this period are compared. */
  from_at: Instant;
  to_at: Instant;
  /** End of what is listed: beyond the period, so that no edge of it hides a message. */
  listed_to: Instant;
  state: SweepState;
  /** Where to go on: of the destination's pages, then the id of the last delivery compared. */
  cursor: string;
  pages: number;
  items: number;
  /** JSON: counts by verdict. */
  counts: string;
  /** Requests in a row that brought nothing. */
  failures: number;
  detail: string | null;
  worker: string | null;
  fence: number;
  created_at: Instant;
  due_at: Instant;
  finished_at: Instant | null;
}

export interface SweepItemRow {
  sweep_id: string;
  delivery_id: string;
  message: SubjectKind;
  /** The destination's own number of what was listed first; null where it names none but our reference. */
  number: string | null;
  count: number;
  /** `not-effective`: a stop that does not show any more as it was confirmed. */
  verdict: 'equal' | 'differs' | 'unsent' | 'not-effective';
  /** JSON: list of field and what was found there, of one that differs. */
  differences: string;
  detail: string | null;
}

/**
 * A delivery behind a difference that many records share: it differs, and has no finding of its own. Gone once it was shown
 * equal, or has one.
 */
export interface SharedDifferenceRow {
  site: string;
  destination: string;
  delivery_id: string;
  message: SubjectKind;
  /** The first of its fields; the difference in it stays open for as long as the row is there. */
  field: string;
}

export interface MappingRevisionRow {
  site: string;
  destination: string;
  digest: string;
  /** JSON: file name to text. */
  content: string;
  activated_at: Instant;
  activated_by: string;
  approved_by: string;
  /** 1 for the revision new deliveries pin. */
  active: 0 | 1;
}

/** Deliveries of one subject to one destination leave in the order of `seq`. */
export interface OrderingKeyRow {
  site: string;
  destination: string;
  key: string;
  next_seq: number;
  lease_worker: string | null;
  lease_until: Instant | null;
  fence: number;
}

export type DeliveryState =
  | 'due'
  | 'building'
  | 'sending'
  | 'accepted'
  | 'confirmed'
  | 'uncertain'
  | 'rejected'
  | 'parked'
  | 'cancelled'
  | 'superseded';

export type DeliveryFault =
  | 'mapping'
  | 'contract'
  | 'rejected'
  | 'key-conflict'
  | 'credentials'
  | 'exhausted'
  | 'cannot-ask'
  | 'absent'
  | 'differs'
  | 'duplicate'
  | 'not-effective';

export type SubjectKind =
  | 'result'
  | 'withdrawal'
  | 'statement'
  | 'stop'
  | 'stop-escalation'
  | 'period';

export interface DeliveryRow {
  id: string;
  site: string;
  subject_kind: SubjectKind;
  /**
   * result: `result.id`; withdrawal: `withdrawal.id`; statement: receipt id; stop: `stop.id`; stop-escalation:
   * `stop_escalation.id`; period: `period.id`.
   */
  subject_id: string;
  /**
   * result and withdrawal: the result's; statement, stop and stop-escalation: the statement's; period: 1, and n + 1
   * for addendum n.
   */
  subject_revision: number;
  receipt_id: string | null;
  destination: string;
  message: string;
  build: number;
  state: DeliveryState;
  ordering_key: string;
  seq: number;
  /** 1 for a *conforms*: waits for its receipt's results at this destination. */
  barrier: 0 | 1;
  /** 1 for contrary results: they pass waiting passes. */
  contrary: 0 | 1;
  mapping_digest: string;
  payload_sha256: string | null;
  content_type: string | null;
  /** Extra request facts from the build, JSON: method, path, headers. */
  request: string | null;
  /** Delivery id and the instance epoch it was created in; sent with every attempt. */
  idempotency_key: string;
  created_at: Instant;
  due_at: Instant;
  attempts: number;
  /** Consecutive "absent" answers so far. */
  absent_asks: number;
  next_ask_at: Instant | null;
  fence: number;
  /** Worker that is sending or asking now. */
  claimed_by: string | null;
  accepted_at: Instant | null;
  confirmed_at: Instant | null;
  /** The destination's own number, from its receipt. */
  destination_reference: string | null;
  /** Why it is rejected, parked, cancelled or superseded; the destination's words kept. */
  reason: string | null;
  /** What went wrong, also when it was mended later: a double stays named on a confirmed delivery. */
  fault: DeliveryFault | null;
  /** It may have been sent before a restore: it is asked about before anything is sent, doubtful since then. */
  ask_since: Instant | null;
  /** Sends before a person took it up again; the attempt policy counts from there. */
  attempts_before: number;
}

export type DeliveryAct = 'resend' | 'rebuild' | 'retire';

/** What a person had done with a delivery that stopped. Never updated, never deleted. */
export interface DeliveryActRow {
  id: string;
  site: string;
  delivery_id: string;
  /** Of the delivery as it was shown to the person; one act for each. */
  version: string;
  act: DeliveryAct;
  done: 'sent-again' | 'asked-first' | 'rebuilt' | 'retired';
  /** The new build of a rebuild. */
  made_delivery_id: string | null;
  /** Account id. */
  actor: string;
  reason: string;
  at: Instant;
}

export interface AttemptRow {
  id: string;
  site: string;
  delivery_id: string;
  number: number;
  kind: 'send' | 'ask';
  worker: string;
  fence: number;
  started_at: Instant;
  finished_at: Instant | null;
  outcome: string | null;
  status: number | null;
  /** First 4 kB of the answer, as text. */
  answer: string | null;
  detail: string | null;
}

export interface WorkerRow {
  id: string;
  started_at: Instant;
  heartbeat_at: Instant;
  stopped_at: Instant | null;
}

export interface ApiKeyRow {
  id: string;
  site: string;
  name: string;
  /** JSON array of scopes. */
  scopes: string;
  /** SHA-256 of the secret; the secret has 256 random bits. */
  secret_sha256: string;
  created_at: Instant;
  expires_at: Instant | null;
  last_used_at: Instant | null;
  revoked_at: Instant | null;
  /** Digest of the secret before the last rotation; good until `previous_until`. */
  previous_sha256: string | null;
  previous_until: Instant | null;
  rotated_at: Instant | null;
  /** `account.id` of who answers for what is proposed with it; null where nobody was named. */
  responsible: string | null;
}

export interface AuditEntryRow {
  id: string;
  site: string;
  at: Instant;
  /** IANA zone the site keeps. */
  zone: string;
  actor_kind: 'system' | 'key' | 'cli' | 'person';
  /** Account id, key id, `cli`, or the part of the service. */
  actor: string;
  action: string;
  subject_kind: string;
  subject_id: string;
  reason: string | null;
  before: string | null;
  after: string | null;
  /** Number in the chain; null until a sealer chained it. */
  sequence: number | null;
  /** Address of the computer it was asked from; null for what the service does by itself. */
  source: string | null;
  /** How it was sealed, see `SEAL_ALGORITHM`; the four columns of the seal are null until then. */
  algorithm: string | null;
  /** Its hash in the chain, hex. */
  hash: string | null;
  sealed_at: Instant | null;
}

/** How far the trail of a site is sealed, and which worker seals it. */
export interface TrailHeadRow {
  site: string;
  /** Sealed entries; the next one gets this number. */
  size: number;
  /** Hash of the last sealed entry, hex; 64 zeros before the first. */
  hash: string;
  /** JSON array of hex: the right edge of the Merkle tree, largest subtree first. */
  peaks: string;
  sealed_at: Instant;
  worker: string | null;
  /** Counted up by every claim: a sealing that names an older one changes nothing. */
  fence: number;
  /** The key that checkpoints are signed with; null while none was. */
  key_id: string | null;
  checkpoint_size: number;
  checkpoint_at: Instant;
  checkpoint_digest: string | null;
}

export interface TrailCheckpointRow {
  site: string;
  size: number;
  at: Instant;
  /** `SignedCheckpoint` as RFC 8785 JSON. */
  document: string;
}

/** One row a site: names the state of its method registry, another one after every change. */
export interface MethodRegistryRow {
  site: string;
  state: string;
}

/** A reference spectrum's file, by its digest. */
export interface MethodReferenceRow {
  sha256: string;
  bytes: Uint8Array;
}

/** A version of a method as it came into the registry. Never changed: results were judged by it. */
export interface MethodVersionRow {
  site: string;
  method_id: string;
  version: string;
  /** RFC 8785 form of `MethodContent`. */
  content: string;
  /** As bundles name it, see `methodContentDigest`. */
  content_digest: string;
  reference_sha256: string | null;
  source: 'site-folder' | 'api';
  /** Digest of the site folder it came from first; null for a proposal. */
  site_folder: string | null;
  /** JSON of `ProposedDates`; null where the site folder says them. */
  proposal: string | null;
  /** Account, key or command that the trail names. */
  proposed_by: string;
  proposed_at: Instant;
}

export type MethodEventKind = 'listed' | 'left' | 'approved' | 'retired' | 'invalidated';

/** What became of a version of a method. Never changed. */
export interface MethodEventRow {
  id: string;
  site: string;
  method_id: string;
  version: string;
  /** From 1, in the order in which they happened. */
  number: number;
  kind: MethodEventKind;
  at: Instant;
  /** JSON, by kind; see `methods/registered-method.ts`. */
  detail: string;
  signature_id: string | null;
}

/** A person looked through a piece of the trail and signed what was found. */
export interface TrailReviewRow {
  id: string;
  site: string;
  first: number;
  last: number;
  /** Root of the tree of `last + 1` entries, hex. */
  root: string;
  findings: string;
  reviewer: string;
  at: Instant;
  document: string;
  digest: string;
  /** Id of the signature over `digest`. */
  signature: string;
}

/** A person. Rows are never deleted, and a user name is never given to another person. */
export interface AccountRow {
  id: string;
  /** As it was typed when the account was made; shown. */
  user_name: string;
  /** `foldName` of it: what is compared, unique for good. */
  user_name_folded: string;
  /** As it stands beside a signature. */
  printed_name: string;
  /** Argon2id in PHC form, with its parameters and salt. */
  password: string;
  password_set_at: Instant;
  /** 1 until the person has chosen a password that nobody else knows. */
  must_change_password: 0 | 1;
  created_at: Instant;
  deactivated_at: Instant | null;
}

export interface AccountRoleRow {
  account_id: string;
  site: string;
  role: string;
  granted_at: Instant;
  /** Account id, `cli`, … as in the trail. */
  granted_by: string;
}

/** Ids under which a person measures, or did; no two people of a site share one. */
export interface AccountOperatorRow {
  site: string;
  operator_folded: string;
  operator_id: string;
  account_id: string;
  /** When an administrator took it from the account, whose it stays; null while it is in force. */
  ended_at: Instant | null;
}

/** An account that ended, and the one under which the same person goes on. */
export interface AccountPredecessorRow {
  predecessor_id: string;
  account_id: string;
  named_at: Instant;
  /** Account id, `cli`, … as in the trail. */
  named_by: string;
}

export interface SessionRow {
  /** What pages and the trail call it; opens nothing. */
  id: string;
  /** SHA-256 of what the cookie holds, 256 random bits. */
  secret_sha256: string;
  account_id: string;
  site: string;
  started_at: Instant;
  /** Latest request, noted once a minute at most. */
  seen_at: Instant;
  expires_at: Instant;
  /** Address it was started from. */
  source: string;
  agent: string;
  ended_at: Instant | null;
  end_reason: string | null;
}

/** How often a password was tried in vain under a name or from an address. */
export interface SignInTriesRow {
  site: string;
  /** `name:` and the SHA-256 of the folded user name, or `source:` and the address. */
  subject: string;
  failures: number;
  last_at: Instant;
  blocked_until: Instant | null;
  /** Tries refused unread since it was blocked. */
  turned_away: number;
}

/** An electronic signature. Never updated, never deleted. */
export interface SignatureRow {
  id: string;
  site: string;
  at: Instant;
  zone: string;
  account_id: string;
  user_name: string;
  printed_name: string;
  meaning: string;
  subject_kind: string;
  subject_id: string;
  subject_revision: number;
  /** RFC 8785 form of exactly what the signer was shown, and its SHA-256. */
  shown: string;
  shown_sha256: string;
  reason: string;
  source: string | null;
  /** `signing_sitting.id`, or an id of its own for a signature outside a session. */
  series: string;
  series_number: number;
  components: 'user-name-and-password' | 'password';
  /** SHA-256 of the RFC 8785 form of all the other fields; the entry of the act in the trail has it too. */
  digest: string;
}

/** A continuous series of signatures in one session; one open row for each session. */
export interface SigningSittingRow {
  id: string;
  site: string;
  account_id: string;
  session_id: string;
  last_at: Instant;
  signed: number;
  ended_at: Instant | null;
}
