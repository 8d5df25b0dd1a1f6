import type { Instant } from '../formats/instant.js';
import type { RevisionDocument } from '../receipts/receipt-rows.js';
import { containersOf } from '../receipts/receipts.store.js';
import { openDiscrepanciesFor } from '../reconciliation/discrepancies.store.js';
import type { Reader } from '../storage/database.js';
import type { ReceiptRow } from '../storage/tables.js';
import type { SiteRules, StatementFacts } from './facts.js';
import {
  type AnnouncedPlace,
  containerFact,
  type DeliveryEvidenceRow,
  deliveryFacts,
  discrepancyFact,
  type EvidenceRow,
  receiptFacts,
  resultFact,
  stopFact,
} from './facts-from-rows.js';
import { judgedReceiptRevision } from './statement-document.js';
import { latestConforms, stopsOf } from './statements.store.js';

export interface LoadedFacts {
  readonly facts: StatementFacts;
  readonly factsVersion: number;
  readonly hasConformed: boolean;
}

/**
 * Loads everything a statement of one receipt rests on, in a fixed number of queries; null when no
 * announced receipt has this id. The site's evidence row is read first: where databases lock rows, this is
 * the shared lock against evidence without an owner (design §3).
 */
export async function loadFacts(
  reader: Reader,
  site: SiteRules,
  receiptId: string,
): Promise<LoadedFacts | null> {
  const row = await receiptRow(reader, site.site, receiptId);
  if (!row || row.announced === 0) return null;
  await readSiteEvidence(reader, site.site);
  const conforms = await latestConforms(reader, site.site, receiptId);
  const facts: StatementFacts = {
    site,
    receipt: receiptFacts(row, await earlierPlaces(reader, row)),
    containers: (await containersOf(reader, site.site, receiptId)).map(containerFact),
    results: (await resultsOf(reader, site.site, receiptId)).map(resultFact),
    heardAt: await heardAt(reader, site.site),
    deliveries: deliveryFacts([
      ...(await resultDeliveriesOf(reader, site.site, receiptId)),
      ...(await withdrawalDeliveriesOf(reader, site.site, receiptId)),
    ]),
    discrepancies: (await openDiscrepanciesFor(reader, site.site, receiptId)).map(discrepancyFact),
    stops: (await stopsOf(reader, site.site, receiptId)).map(stopFact),
    conformedAtReceiptRevision: conforms && judgedReceiptRevision(conforms),
  };
  return { facts, factsVersion: row.facts_version, hasConformed: conforms !== null };
}

function receiptRow(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReceiptRow | undefined> {
  return reader
    .selectFrom('receipt')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', receiptId)
    .executeTakeFirst();
}

async function readSiteEvidence(reader: Reader, site: string): Promise<void> {
  await reader
    .selectFrom('site_evidence')
    .select('version')
    .where('site', '=', site)
    .executeTakeFirst();
}

/** Where and when earlier announcements had it; one that never changed has none. */
async function earlierPlaces(reader: Reader, row: ReceiptRow): Promise<AnnouncedPlace[]> {
  if (row.revision <= 1) return [];
  const revisions = await reader
    .selectFrom('receipt_revision')
    .select('document')
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.id)
    .execute();
  return revisions.map((r) => (JSON.parse(r.document) as RevisionDocument).inForce);
}

function resultsOf(reader: Reader, site: string, receiptId: string): Promise<EvidenceRow[]> {
  return reader
    .selectFrom('result')
    .select([
      'id',
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
      'recheck',
      'record',
    ])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .orderBy('id')
    .execute();
}

async function heardAt(reader: Reader, site: string): Promise<Map<string, Instant>> {
  const rows = await reader
    .selectFrom('instrument_state')
    .select(['serial', 'heard_at'])
    .where('site', '=', site)
    .execute();
  return new Map(rows.map((r) => [r.serial, r.heard_at]));
}

async function resultDeliveriesOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<DeliveryEvidenceRow[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select(['id', 'destination', 'state', 'fault', 'build', 'subject_id as result_row_id'])
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    // Not a join: that would be free to start from every result that was ever delivered.
    .where('subject_id', 'in', (eb) =>
      eb
        .selectFrom('result')
        .select('result.id')
        .where('result.site', '=', site)
        .where('result.receipt_id', '=', receiptId),
    )
    .orderBy('build')
    .orderBy('id')
    .execute();
  return rows.map((r) => ({ ...r, subject_kind: 'result' }));
}

async function withdrawalDeliveriesOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<DeliveryEvidenceRow[]> {
  const rows = await reader
    .selectFrom('delivery')
    .innerJoin('withdrawal', 'withdrawal.id', 'delivery.subject_id')
    .innerJoin('result', 'result.id', 'withdrawal.result_row_id')
    .select([
      'delivery.id',
      'delivery.destination',
      'delivery.state',
      'delivery.fault',
      'delivery.build',
      'result.id as result_row_id',
    ])
    .where('delivery.site', '=', site)
    .where('delivery.subject_kind', '=', 'withdrawal')
    .where('result.site', '=', site)
    .where('result.receipt_id', '=', receiptId)
    .orderBy('delivery.build')
    .orderBy('delivery.id')
    .execute();
  return rows.map((r) => ({ ...r, subject_kind: 'withdrawal' }));
}
