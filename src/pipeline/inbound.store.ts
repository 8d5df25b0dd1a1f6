import type { Reader, Trx } from '../storage/database.js';
import type { InboundDocumentRow, InboundLineRow } from '../storage/tables.js';

export async function insertInboundDocument(trx: Trx, row: InboundDocumentRow): Promise<void> {
  await trx.insertInto('inbound_document').values(row).execute();
}

export async function insertInboundLine(trx: Trx, row: InboundLineRow): Promise<void> {
  await trx.insertInto('inbound_line').values(row).execute();
}

/**
 * Locks what documents of a source are read by, so that they are applied one after the other; false when the revision
 * is in force no more.
 */
export async function lockSource(
  trx: Trx,
  of: { readonly site: string; readonly source: string; readonly digest: string },
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('inbound_revision')
    .set({ active: 1 })
    .where('site', '=', of.site)
    .where('source', '=', of.source)
    .where('digest', '=', of.digest)
    .where('active', '=', 1)
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}

interface OfSource {
  readonly site: string;
  readonly source: string;
  readonly receiptId: string;
}

/** The highest sequence that a source has used about a receipt, padded; null when it used none. */
export async function latestSequence(reader: Reader, of: OfSource): Promise<string | null> {
  const row = await reader
    .selectFrom('inbound_line')
    .select('sequence')
    .where('site', '=', of.site)
    .where('source', '=', of.source)
    .where('receipt_id', '=', of.receiptId)
    .where('sequence', 'is not', null)
    .orderBy('sequence', 'desc')
    .limit(1)
    .executeTakeFirst();
  return row?.sequence ?? null;
}

/** True when the source said just this under this sequence before. */
export async function wasSaid(
  reader: Reader,
  of: OfSource & { readonly sequence: string; readonly digest: string },
): Promise<boolean> {
  const row = await reader
    .selectFrom('inbound_line')
    .select('position')
    .where('site', '=', of.site)
    .where('source', '=', of.source)
    .where('receipt_id', '=', of.receiptId)
    .where('sequence', '=', of.sequence)
    .where('body_sha256', '=', of.digest)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

export async function findInboundDocument(
  reader: Reader,
  site: string,
  of: { readonly source: string; readonly id: string },
): Promise<InboundDocumentRow | undefined> {
  return await reader
    .selectFrom('inbound_document')
    .selectAll()
    .where('site', '=', site)
    .where('source', '=', of.source)
    .where('id', '=', of.id)
    .executeTakeFirst();
}

export async function linesOfDocument(reader: Reader, id: string): Promise<InboundLineRow[]> {
  return await reader
    .selectFrom('inbound_line')
    .selectAll()
    .where('document_id', '=', id)
    .orderBy('position')
    .execute();
}
