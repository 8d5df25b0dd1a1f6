import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import { chunks } from '../storage/chunks.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedForList, preparedInsert } from '../storage/prepared.js';
import type { ContainerRow, ReceiptRevisionRow, ReceiptRow } from '../storage/tables.js';
import { passFindings } from './delivery-findings.store.js';
import { keepDrumNumbers } from './drum-numbers.store.js';
import { resultSubject } from './evidence-subject.js';
import { SCANNED_ID_PREFIX } from './receipt-bounds.js';
import { emptyReceipt, type RevisionDocument } from './receipt-rows.js';

export async function findReceipts(
  reader: Reader,
  site: string,
  ids: readonly string[],
): Promise<Map<string, ReceiptRow>> {
  const found = new Map<string, ReceiptRow>();
  for (const some of chunks(ids)) {
    const rows = await reader
      .selectFrom('receipt')
      .selectAll()
      .where('site', '=', site)
      .where('id', 'in', some)
      .execute();
    for (const row of rows) found.set(row.id, row);
  }
  return found;
}

/** Receipts by normalised scan text, announced or not. */
export async function findReceiptsByScan(
  reader: Reader,
  site: string,
  texts: readonly string[],
): Promise<Map<string, ReceiptRow>> {
  const found = new Map<string, ReceiptRow>();
  for (const some of chunks(texts)) {
    const { rows } = await receiptsByScan(reader, { site }, some);
    for (const row of rows) found.set(row.scan_text, row);
  }
  return found;
}

const receiptsByScan = preparedForList((db, of: { readonly site: string }, texts) =>
  db.selectFrom('receipt').selectAll().where('site', '=', of.site).where('scan_text', 'in', texts),
);

/**
 * Gives a text that a scan named and nobody announced a receipt row, so that there is something to lock.
 * Returns the row's id. `scanText` is normalised.
 */
export async function ensureScannedReceipt(
  trx: Trx,
  site: string,
  scanText: string,
): Promise<string> {
  const [found] = (await idByScan(trx, { site, scanText })).rows;
  if (found !== undefined) return found.id;
  await insertReceipt(trx, emptyReceipt(site, `${SCANNED_ID_PREFIX}${scanText}`, scanText));
  const [made] = (await idByScan(trx, { site, scanText })).rows;
  if (made === undefined) throw new Error(`no receipt row could be made for "${scanText}"`);
  return made.id;
}

const idByScan = prepared((db, of: { readonly site: string; readonly scanText: string }) =>
  db
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', of.site)
    .where('scan_text', '=', of.scanText),
);

export async function insertReceipt(trx: Trx, row: ReceiptRow): Promise<void> {
  await insertUnlessThere(trx, row);
}

const insertUnlessThere = preparedInsert('receipt', 'any');

/**
 * A receipt that only a scan named gets the id it is announced under; nothing refers to the old one.
 *
 * By a row of its own: whoever listed the old row before it went has its place among the ids wrong. On a row that
 * lives on it would wait there for one who took the same row in its new place, and the two could wait for each
 * other; on one that is gone nobody waits.
 */
export async function renameScannedReceipt(
  trx: Trx,
  site: string,
  from: string,
  to: string,
): Promise<void> {
  const gone = await trx
    .deleteFrom('receipt')
    .where('site', '=', site)
    .where('id', '=', from)
    .where('announced', '=', 0)
    .returningAll()
    .execute();
  for (const row of gone)
    await trx
      .insertInto('receipt')
      .values({ ...row, id: to })
      .execute();
}

/** Removes the row of a text that only a scan named, before an announced receipt takes the text over. */
export async function dropScannedReceipt(trx: Trx, site: string, id: string): Promise<void> {
  await trx
    .deleteFrom('receipt')
    .where('site', '=', site)
    .where('id', '=', id)
    .where('announced', '=', 0)
    .execute();
}

export async function updateReceipt(
  trx: Trx,
  site: string,
  id: string,
  set: Partial<Omit<ReceiptRow, 'id' | 'site' | 'facts_version'>>,
): Promise<void> {
  await trx.updateTable('receipt').set(set).where('site', '=', site).where('id', '=', id).execute();
}

export async function containersOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly ContainerRow[]> {
  return (await containersInOrder(reader, { site, receiptId })).rows;
}

const containersInOrder = prepared(
  (db, of: { readonly site: string; readonly receiptId: string }) =>
    db
      .selectFrom('container')
      .selectAll()
      .where('site', '=', of.site)
      .where('receipt_id', '=', of.receiptId)
      .orderBy('position'),
);

/** Replaces the container list of a receipt. */
export async function replaceContainers(
  trx: Trx,
  site: string,
  receiptId: string,
  rows: readonly ContainerRow[],
): Promise<void> {
  await trx
    .deleteFrom('container')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
  for (const some of chunks(rows)) await trx.insertInto('container').values(some).execute();
  const keys = rows.map(({ normalised }) => normalised);
  await keepDrumNumbers(trx, site, receiptId, keys);
}

export async function insertReceiptRevision(
  trx: Trx,
  row: Omit<ReceiptRevisionRow, 'id'>,
): Promise<void> {
  await trx
    .insertInto('receipt_revision')
    .values({ id: uuidv7(), ...row })
    .execute();
}

/** Document of the latest announcement, null when there was none. */
export async function latestAnnouncement(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<string | null> {
  const row = await reader
    .selectFrom('receipt_revision')
    .select('document')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .orderBy('revision', 'desc')
    .limit(1)
    .executeTakeFirst();
  return row?.document ?? null;
}

const REVISIONS_SHOWN_MAX = 100;

/** The latest revisions of a receipt, by whom and how each came. */
export async function revisionsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Pick<ReceiptRevisionRow, 'revision' | 'source' | 'actor' | 'at'>[]> {
  return await reader
    .selectFrom('receipt_revision')
    .select(['revision', 'source', 'actor', 'at'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .orderBy('revision', 'desc')
    .limit(REVISIONS_SHOWN_MAX)
    .execute();
}

/** Where and from when a receipt was announced, over all its revisions. */
export async function announcedPlaces(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<{ readonly area: string | null; readonly receivedAt: Instant | null }[]> {
  const revisions = await reader
    .selectFrom('receipt_revision')
    .select('document')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
  return revisions.map(({ document }) => {
    const { area, receivedAt } = (JSON.parse(document) as RevisionDocument).inForce;
    return { area, receivedAt };
  });
}

export async function hasResults(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<boolean> {
  const row = await reader
    .selectFrom('result')
    .select('id')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

export interface ScannedResult {
  readonly id: string;
  readonly receipt_scanned: string | null;
  readonly container_scanned: string | null;
}

/** Results that scanned some receipt text and belong to no receipt yet, in every state. */
export function unownedResults(reader: Reader, site: string): Promise<ScannedResult[]> {
  return reader
    .selectFrom('result')
    .select(['id', 'receipt_scanned', 'container_scanned'])
    .where('site', '=', site)
    .where('receipt_id', 'is', null)
    .where('receipt_scanned', 'is not', null)
    .execute();
}

/** Results of a receipt whose container no announced label matched so far. */
export function unplacedResults(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ScannedResult[]> {
  return reader
    .selectFrom('result')
    .select(['id', 'receipt_scanned', 'container_scanned'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where('container_label', 'is', null)
    .where('container_scanned', 'is not', null)
    .execute();
}

/** Gives a result its receipt and container, and its deliveries, with what was found about them, the receipt they speak of. */
export async function attributeResult(
  trx: Trx,
  site: string,
  resultRowId: string,
  to: { readonly receiptId: string; readonly containerLabel: string | null },
): Promise<void> {
  await trx
    .updateTable('result')
    .set({ receipt_id: to.receiptId, container_label: to.containerLabel })
    .where('id', '=', resultRowId)
    .execute();
  await trx
    .updateTable('delivery')
    .set({ receipt_id: to.receiptId })
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', resultRowId)
    .execute();
  await passFindings(trx, site, [resultRowId], to.receiptId);
}

/** Closes what was open about a result for want of an owner or of a container on the list; the ids of what it closed. */
export async function closeUnownedEvidence(
  trx: Trx,
  site: string,
  resultRowId: string,
  closing: { readonly evidence: string; readonly placed: boolean; readonly now: Instant },
): Promise<string[]> {
  const classes = closing.placed
    ? (['contrary-unowned', 'not-expected'] as const)
    : (['contrary-unowned'] as const);
  const closed = await trx
    .updateTable('discrepancy')
    .set({ closed_at: closing.now, closing_evidence: closing.evidence })
    .where('site', '=', site)
    .where('class', 'in', classes)
    .where('subject', '=', resultSubject(resultRowId))
    .where('closed_at', 'is', null)
    .returning('id')
    .execute();
  return closed.map(({ id }) => id);
}
