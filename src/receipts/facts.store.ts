import { sql } from 'kysely';
import type { Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';

/**
 * Announces that this transaction changes facts of these receipts: takes their rows in id order and
 * counts `facts_version` up. Every transaction that changes a fact of a receipt calls this before it
 * reads anything it decides by.
 *
 * A receipt that only a scan named gets its row first, unannounced.
 */
export async function lockReceipts(
  trx: Trx,
  site: string,
  receiptIds: Iterable<string>,
): Promise<void> {
  for (const id of [...new Set(receiptIds)].sort()) await countChange(trx, { site, id });
}

const countChange = prepared((db, of: { readonly site: string; readonly id: string }) =>
  db
    .updateTable('receipt')
    .set({ facts_version: sql<number>`facts_version + 1` })
    .where('site', '=', of.site)
    .where('id', '=', of.id),
);

/**
 * Marks receipts for a later evaluation: right for changes that cannot make an earlier *conforms* untrue
 * (a delivery confirmed). A change that can is evaluated in its own transaction.
 */
export async function markEvaluationDue(
  trx: Trx,
  site: string,
  receiptIds: Iterable<string>,
): Promise<void> {
  for (const id of [...new Set(receiptIds)].sort()) await markDue(trx, { site, id });
}

const markDue = prepared((db, of: { readonly site: string; readonly id: string }) =>
  db
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', of.site)
    .where('id', '=', of.id),
);

/**
 * Marks the receipts whose containers are covered and which wait for news from elsewhere: an instrument that
 * synced, a gap that was filled, unowned evidence that found its owner. A receipt whose containers are not
 * covered yet is evaluated when its next result comes.
 */
export async function markWaitingReceiptsDue(trx: Trx, site: string): Promise<void> {
  await markWaitingDue(trx, { site });
}

const markWaitingDue = prepared((db, of: { readonly site: string }) =>
  db
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', of.site)
    .where('evaluation_due', '=', 2),
);

/**
 * Marks every announced receipt, conforming ones too: for a site folder activated with other content (a
 * tightened plan, a method no longer approved), which can make any statement untrue.
 */
export async function markAnnouncedReceiptsDue(trx: Trx, site: string): Promise<void> {
  await trx
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', site)
    .where('announced', '=', 1)
    .execute();
}

/** Locks the site's evidence row exclusively: for evidence that has no owner yet. After the receipts. */
export async function lockSiteEvidence(trx: Trx, site: string): Promise<void> {
  await trx
    .insertInto('site_evidence')
    .values({ site, version: 1 })
    .onConflict((c) =>
      c.column('site').doUpdateSet({ version: sql<number>`site_evidence.version + 1` }),
    )
    .execute();
}
