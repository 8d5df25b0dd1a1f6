import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { ContainerRejectionRow } from '../storage/tables.js';

/** Signed rejections of containers of a receipt, earliest first, those that were split off since among them. */
export async function rejectionsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly ContainerRejectionRow[]> {
  return (await ofReceipt(reader, { site, receiptId })).rows;
}

const ofReceipt = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  db
    .selectFrom('container_rejection')
    .selectAll()
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .orderBy('id'),
);

export async function insertRejection(trx: Trx, row: ContainerRejectionRow): Promise<void> {
  await trx.insertInto('container_rejection').values(row).execute();
}

/** Stores that ERP has split a rejected container off. */
export async function setSplitOff(
  trx: Trx,
  ids: readonly string[],
  to: { readonly receiptId: string; readonly at: Instant; readonly by: string },
): Promise<void> {
  await trx
    .updateTable('container_rejection')
    .set({ split_off_to: to.receiptId, split_off_at: to.at, split_off_by: to.by })
    .where('id', 'in', ids)
    .where('split_off_to', 'is', null)
    .execute();
}

/** Closes what waited for ERP to split these containers off; the ids of what it closed. */
export async function closeSplitOff(
  trx: Trx,
  site: string,
  subjects: readonly string[],
  by: { readonly evidence: string; readonly now: Instant },
): Promise<string[]> {
  const closed = await trx
    .updateTable('discrepancy')
    .set({ closed_at: by.now, closing_evidence: by.evidence })
    .where('site', '=', site)
    .where('class', '=', 'rejected-container')
    .where('subject', 'in', subjects)
    .where('closed_at', 'is', null)
    .returning('id')
    .execute();
  return closed.map(({ id }) => id);
}

/** How the discrepancy of a rejected container names it; JSON, so that no two pairs of texts give one name. */
export function rejectionSubject(receiptId: string, containerKey: string): string {
  return `rejected:${JSON.stringify([receiptId, containerKey])}`;
}
