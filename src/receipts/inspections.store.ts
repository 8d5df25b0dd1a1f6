import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { AttributeInspectionRow } from '../storage/tables.js';

/** What was inspected of a receipt, earliest entry first. */
export async function inspectionsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly AttributeInspectionRow[]> {
  return (await inOrder(reader, { site, receiptId })).rows;
}

const inOrder = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  db
    .selectFrom('attribute_inspection')
    .selectAll()
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .orderBy('id'),
);

export async function insertInspection(trx: Trx, row: AttributeInspectionRow): Promise<void> {
  await trx.insertInto('attribute_inspection').values(row).execute();
}
