import { sql } from 'kysely';
import {
  sources,
  type UntoldWithdrawal,
  untoldOfReceipt,
} from '../delivery/untold-withdrawals.store.js';
import type { Instant } from '../formats/instant.js';
import { siteInForce } from '../methods/method-registry.store.js';
import { proposedAway } from '../receipts/attributions.store.js';
import { inspectionFactsOf, plansStanding } from '../receipts/inspection-lifts.store.js';
import { labelsVerifiedBy } from '../receipts/label-verification.store.js';
import { announcedPlaces, containersOf } from '../receipts/receipts.store.js';
import { watches } from '../reconciliation/destination-watch.store.js';
import { openDiscrepanciesFor } from '../reconciliation/discrepancies.store.js';
import type { StatementRecord } from '../records/statement-record.js';
import {
  latestSignatureOf,
  latestSignaturesOf,
  signaturesByIds,
} from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import type { ReceiptRow } from '../storage/tables.js';
import { loadAttributions, loadClaims } from './attribution-facts.store.js';
import { loadCauses } from './causes.store.js';
import { checksAround } from './checks.store.js';
import { decisionsAtStake } from './decisions.js';
import { drumsElsewhere } from './drums-elsewhere.store.js';
import type { SiteRules, StatementFacts, StopFact, UntoldFact } from './facts.js';
import {
  type AnnouncedPlace,
  attributePlansOf,
  containerFact,
  type DeliveryEvidenceRow,
  deliveryFacts,
  discrepancyFact,
  isScannedRow,
  planOf,
  receiptFacts,
  resultFact,
  stopFact,
  watchFact,
} from './facts-from-rows.js';
import { knownService } from './instrument-service.store.js';
import { loadLineage } from './lineage-facts.store.js';
import { loadRejections } from './rejection-facts.store.js';
import { loadReviews, reviewFact } from './reviews.store.js';
import { SITE_DECISION } from './site-decision.js';
import { judgedReceiptRevision } from './statement-document.js';
import { type ActiveMapping, withoutWithdrawal } from './statement-messages.js';
import { latestConforms, latestStatement, stopsOf } from './statements.store.js';

export interface LoadedFacts {
  readonly facts: StatementFacts;
  readonly factsVersion: number;
  /** A *conforms* stands at a destination that no stop has taken back and no lift of one lies behind. */
  readonly hasConformed: boolean;
  /** The latest stored revision. */
  readonly latest: StatementRecord | null;
  /** The next revision lies above it, see `ReceiptRow.revision_floor`. */
  readonly revisionFloor: number;
}

/**
 * Loads everything a statement of one receipt rests on, in a fixed number of queries; null when no
 * announced receipt has this id. Whoever acts on it has locked the receipt and shares the site's evidence.
 *
 * @param mappings in force, by destination
 */
export async function loadFacts(
  reader: Reader,
  folder: SiteRules,
  mappings: ReadonlyMap<string, ActiveMapping>,
  receiptId: string,
): Promise<LoadedFacts | null> {
  const of = { site: folder.site, receiptId };
  const [row] = (await receiptRow(reader, of)).rows;
  if (!row || row.announced === 0) return null;
  const { site: id } = folder;
  const [
    { site },
    { rows: results },
    conforms,
    stops,
    lineage,
    places,
    rejections,
    containers,
    inspections,
    away,
    heard,
    service,
    ofResults,
    ofWithdrawals,
    untold,
    discrepancies,
    watched,
    latest,
    secondPerson,
  ] = await sideBySide(reader, [
    () => siteInForce(reader, folder),
    () => resultsOf(reader, of),
    () => latestConforms(reader, id, receiptId),
    () => stopFacts(reader, of),
    () => loadLineage(reader, row),
    () => earlierPlaces(reader, row),
    () => loadRejections(reader, row),
    () => containersOf(reader, id, receiptId),
    () => inspectionsOf(reader, row),
    () => proposedAway(reader, id, receiptId),
    () => heardAt(reader, id),
    () => knownService(reader, id),
    () => resultDeliveriesOf(reader, id, receiptId),
    () => withdrawalDeliveriesOf(reader, id, receiptId),
    () => untoldOfReceipt(reader, id, receiptId),
    () => openDiscrepanciesFor(reader, id, receiptId),
    () => watches(reader, id),
    () => latestStatement(reader, id, receiptId),
    () => latestSignatureOf(reader, id, { kind: 'statement', id: receiptId }),
  ]);
  const contrary = results.filter((r) => r.contrary === 1).map((r) => r.id);
  const moved = results.filter((r) => r.revision > 1).map((r) => r.id);
  const atStake = decisionsAtStake(site, {
    material: row.material,
    plan: planOf(row),
    attributePlans: attributePlansOf(row),
  });
  const [
    reviews,
    verifiedBy,
    causes,
    attributions,
    plans,
    claims,
    checks,
    decisionSignatures,
    elsewhere,
  ] = await sideBySide(reader, [
    () => loadReviews(reader, id, results),
    async () =>
      results.every(isScannedRow) ? NOBODY : await labelsVerifiedBy(reader, id, receiptId),
    () => loadCauses(reader, id, contrary),
    () => loadAttributions(reader, id, moved),
    () => plansStanding(reader, id, attributePlansOf(row)),
    () => loadClaims(reader, id, receiptId, lineage, resultRows),
    async () => (site.performance === null ? [] : await checksAround(reader, id, results)),
    () => latestSignaturesOf(reader, id, SITE_DECISION, atStake),
    () => drumsElsewhere(reader, row, containers),
  ]);
  // A *conforms* from before a lift was stopped already; only one behind it can become untrue again.
  const lifted = Math.max(0, ...stops.map((s) => (s.lift?.isValid ? s.lift.revision : 0)));
  const conformsBehindLift = conforms !== null && conforms.revision > lifted ? conforms : null;
  const facts: StatementFacts = {
    site,
    receipt: receiptFacts(row, plans, places, { ...lineage, elsewhere }, rejections),
    containers: containers.map(containerFact),
    results: results.map((r) =>
      resultFact(
        r,
        {
          review: reviewFact(r, reviews),
          cause: causes.get(r.id) ?? null,
          attribution: attributions.get(r.id) ?? null,
        },
        verifiedBy,
      ),
    ),
    ...(inspections === null ? {} : { inspections }),
    proposedAway: away,
    claims,
    heardAt: heard,
    service,
    checks,
    deliveries: deliveryFacts([...ofResults, ...ofWithdrawals]),
    untold: untoldFacts(untold, mappings),
    discrepancies: discrepancies.map(discrepancyFact),
    stops,
    watches: watched.map(watchFact),
    standsConforming: latest?.outcome === 'conforms',
    secondPerson,
    decisionSignatures,
    conformedAtReceiptRevision: conformsBehindLift && judgedReceiptRevision(conformsBehindLift),
  };
  return {
    facts,
    factsVersion: row.facts_version,
    // What the life before a restore let a destination release is as much in force there as what is remembered here.
    hasConformed: conformsBehindLift !== null || row.held_permission > lifted,
    latest,
    revisionFloor: row.revision_floor,
  };
}

async function stopFacts(reader: Reader, of: OfReceipt): Promise<StopFact[]> {
  const rows = await stopsOf(reader, of.site, of.receiptId);
  const ids = rows.map((r) => r.lift_signature_id).filter((id) => id !== null);
  const signatures = await signaturesByIds(reader, of.site, [...new Set(ids)]);
  const byId = new Map(signatures.map((s) => [s.id, s]));
  return rows.map((stop) => stopFact(stop, byId));
}

function untoldFacts(
  all: readonly UntoldWithdrawal[],
  mappings: ReadonlyMap<string, ActiveMapping>,
): UntoldFact[] {
  const cannot = new Set(
    withoutWithdrawal(
      all.map((u) => u.destination),
      mappings,
    ),
  );
  return all
    .filter(({ destination }) => !cannot.has(destination))
    .map(({ deliveryId, destination, revision, result: { resultId } }) => ({
      deliveryId,
      resultId,
      destination,
      revision,
    }));
}

const NOBODY: ReadonlyMap<string, string> = new Map();

interface OfReceipt {
  readonly site: string;
  readonly receiptId: string;
}

const receiptRow = prepared((db, of: OfReceipt) =>
  db.selectFrom('receipt').selectAll().where('site', '=', of.site).where('id', '=', of.receiptId),
);

/** null where no plan asks for any. */
async function inspectionsOf(reader: Reader, { site, id, attribute_plans: plans }: ReceiptRow) {
  return plans === null ? null : await inspectionFactsOf(reader, site, id);
}

/** Where and when earlier announcements had it; one that never changed has none. */
async function earlierPlaces(reader: Reader, row: ReceiptRow): Promise<AnnouncedPlace[]> {
  if (row.revision <= 1) return [];
  return announcedPlaces(reader, row.site, row.id);
}

const RESULT_COLUMNS = [
  'id',
  'revision',
  'receipt_id',
  'result_id',
  'state',
  'mode',
  'decision',
  'contrary',
  'matched_material',
  'material',
  'lot',
  'receipt_scanned',
  'container_scanned',
  'container_label',
  'method_id',
  'method_version',
  'measured_at',
  'origin',
  'environment',
  'instrument_serial',
  'run_epoch',
  'run_number',
  'recheck',
  'record',
  'record_sha256',
  'element_sha256',
  'review_signature_id',
] as const;

const awaitsLook = sql<0 | 1>`case when exists (
    select 1 from second_look where second_look.bundle_row_id = result.bundle_row_id
  ) then 1 else 0 end`.as('awaits_look');

const resultsOf = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('result')
    .select(RESULT_COLUMNS)
    .select(awaitsLook)
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .orderBy('id'),
);

/** Results that are of other receipts, or of none. */
async function resultRows(reader: Reader, site: string, ids: readonly string[]) {
  return (await resultsById(reader, { site }, ids)).rows;
}

const resultsById = preparedForList((db, of: { readonly site: string }, ids) =>
  db
    .selectFrom('result')
    .select(RESULT_COLUMNS)
    .select(awaitsLook)
    .where('site', '=', of.site)
    .where('id', 'in', ids)
    .orderBy('id'),
);

async function heardAt(reader: Reader, site: string): Promise<Map<string, Instant>> {
  const { rows } = await heardInstruments(reader, { site });
  return new Map(rows.map((r) => [r.serial, r.heard_at]));
}

const heardInstruments = prepared((db, of: { readonly site: string }) =>
  db.selectFrom('instrument_state').select(['serial', 'heard_at']).where('site', '=', of.site),
);

async function resultDeliveriesOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<DeliveryEvidenceRow[]> {
  const { rows } = await resultDeliveries(reader, { site, receiptId });
  return rows.map((r) => ({ ...r, subject_kind: 'result' }));
}

const resultDeliveries = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('delivery')
    .select([
      'id',
      'destination',
      'state',
      'fault',
      'build',
      'subject_revision',
      'attempts_before',
      'subject_id as result_row_id',
    ])
    .where('site', '=', of.site)
    .where('subject_kind', '=', 'result')
    // Not a join: that would be free to start from every result that was ever delivered.
    .where('subject_id', 'in', (eb) =>
      eb
        .selectFrom('result')
        .select('result.id')
        .where('result.site', '=', of.site)
        .where('result.receipt_id', '=', of.receiptId),
    )
    .orderBy('subject_revision')
    .orderBy('build')
    .orderBy('id'),
);

async function withdrawalDeliveriesOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<DeliveryEvidenceRow[]> {
  const { rows } = await withdrawalDeliveries(reader, { site, receiptId });
  return rows.map((r) => ({ ...r, subject_kind: 'withdrawal' }));
}

const withdrawalDeliveries = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('delivery')
    .innerJoin('withdrawal', 'withdrawal.id', 'delivery.subject_id')
    .select([
      'delivery.id',
      'delivery.destination',
      'delivery.state',
      'delivery.fault',
      'delivery.build',
      'delivery.subject_revision',
      'delivery.attempts_before',
      'withdrawal.result_row_id',
    ])
    .where('delivery.site', '=', of.site)
    .where('delivery.subject_kind', '=', 'withdrawal')
    // Of a result that went elsewhere, the receipt it was withdrawn from waits for it too.
    .where('delivery.subject_id', 'in', (eb) =>
      eb
        .selectFrom('result')
        .innerJoin('withdrawal as w', 'w.result_row_id', 'result.id')
        .select('w.id')
        .where('result.site', '=', of.site)
        .where('result.receipt_id', '=', of.receiptId)
        .union((e) =>
          e
            .selectFrom('withdrawal as v')
            .select('v.id')
            .where('v.site', '=', of.site)
            .where('v.receipt_id', '=', of.receiptId),
        )
        // As `untoldOfReceipt`.
        .union((e) =>
          e
            .selectFrom('withdrawal as u')
            .select('u.id')
            .where('u.site', '=', of.site)
            .where('u.receipt_id', 'in', sources(db, of)),
        ),
    )
    .orderBy('delivery.subject_revision')
    .orderBy('delivery.build')
    .orderBy('delivery.id'),
);
