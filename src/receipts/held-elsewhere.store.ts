import type { Trx } from '../storage/database.js';

/**
 * Takes over what destinations were found to hold of a receipt's statements and stops, which no delivery accounts for: the
 * next revision lies above all of it, and what may have let a destination release counts as a *conforms* of ours, which
 * only a stop takes back. A stop of the same life above it took it back already: that one latches by itself. Nothing is
 * ever lowered: what was permitted was acted on, whether or not it is still listed.
 *
 * The receipt is locked. An id that has no row yet is taken over when it is announced.
 */
export async function takeOverHeld(
  trx: Trx,
  of: { readonly site: string; readonly receiptId: string },
): Promise<void> {
  const rows = await trx
    .selectFrom('destination_holding')
    .select(['destination', 'message', 'revision', 'may_permit'])
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('revision', 'is not', null)
    .where((eb) => eb.or([eb('message', 'in', ['statement', 'stop']), eb('may_permit', '=', 1)]))
    .execute();
  const revision = (row: (typeof rows)[number]) => row.revision ?? 0;
  const isTakenBack = (held: (typeof rows)[number]) =>
    rows.some(
      (row) =>
        row.message === 'stop' &&
        row.destination === held.destination &&
        revision(row) > revision(held),
    );
  const permissions = rows.filter((row) => row.may_permit === 1 && !isTakenBack(row));
  await raise(trx, of, 'revision_floor', Math.max(0, ...rows.map(revision)));
  await raise(trx, of, 'held_permission', Math.max(0, ...permissions.map(revision)));
}

async function raise(
  trx: Trx,
  of: { readonly site: string; readonly receiptId: string },
  column: 'revision_floor' | 'held_permission',
  to: number,
): Promise<void> {
  if (to === 0) return;
  await trx
    .updateTable('receipt')
    .set({ [column]: to })
    .where('site', '=', of.site)
    .where('id', '=', of.receiptId)
    .where(column, '<', to)
    .execute();
}
