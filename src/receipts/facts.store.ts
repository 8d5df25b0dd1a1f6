import { type SelectQueryBuilder, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { dialectOf, skipLocked } from '../storage/dialect.js';
import { prepared, preparedForList, preparedInsert } from '../storage/prepared.js';
import type { Tables } from '../storage/tables.js';

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
  await lockReceiptsMarking(trx, site, receiptIds, NONE);
}

/** As `lockReceipts`, and marks those that are also in `due` as `markEvaluationDue` does, in the same write. */
export async function lockReceiptsMarking(
  trx: Trx,
  site: string,
  receiptIds: Iterable<string>,
  due: ReadonlySet<string>,
): Promise<void> {
  await inPortions(trx, site, receiptIds, async (ids) => {
    const marked = ids.filter((id) => due.has(id));
    const others = ids.filter((id) => !due.has(id));
    await countAndMark(trx, { site }, marked);
    await countChange(trx, { site }, others);
  });
}

const LOCKED_AT_ONCE = 64;

/** Changes rows of receipts, some at a time, each taken in the order of their ids. */
async function inPortions(
  trx: Trx,
  site: string,
  receiptIds: Iterable<string>,
  change: (ids: readonly string[]) => Promise<unknown>,
): Promise<void> {
  const all = [...new Set(receiptIds)].sort();
  for (let i = 0; i < all.length; i += LOCKED_AT_ONCE) {
    const ids = all.slice(i, i + LOCKED_AT_ONCE);
    // A change of several rows takes them in an order of its own: they are taken first, in ours.
    if (ids.length > 1 && dialectOf(trx).isShared) await takeRows(trx, { site }, ids);
    await change(ids);
  }
}

const NONE: ReadonlySet<string> = new Set();

interface OfSite {
  readonly site: string;
}

const takeRows = preparedForList((db, of: OfSite, ids) =>
  db
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', of.site)
    .where('id', 'in', ids)
    .orderBy('id')
    .forNoKeyUpdate(),
);

const countChange = preparedForList((db, of: OfSite, ids) =>
  db
    .updateTable('receipt')
    .set({ facts_version: sql<number>`facts_version + 1` })
    .where('site', '=', of.site)
    .where('id', 'in', ids),
);

const countAndMark = preparedForList((db, of: OfSite, ids) =>
  db
    .updateTable('receipt')
    .set({ facts_version: sql<number>`facts_version + 1`, evaluation_due: 1 })
    .where('site', '=', of.site)
    .where('id', 'in', ids),
);

/**
 * As `lockReceipts` for one receipt, unless another transaction has it: whoever has it evaluates it, or leaves
 * it due. False when it was passed over. With `ifDue` also when it is not due any more.
 */
export async function claimReceipt(
  trx: Trx,
  of: { readonly site: string; readonly id: string },
  ifDue: boolean,
): Promise<boolean> {
  return (await (ifDue ? claimDue : claimAny)(trx, of)).written === 1;
}

const claimDue = claiming(true);
const claimAny = claiming(false);

function claiming(ifDue: boolean) {
  return prepared((db, of: { readonly site: string; readonly id: string }) => {
    const receipt = db
      .selectFrom('receipt')
      .select('id')
      .where('site', '=', of.site)
      .where('id', '=', of.id)
      .$if(ifDue, (query) => query.where('evaluation_due', '=', 1));
    return db
      .updateTable('receipt')
      .set({ facts_version: sql<number>`facts_version + 1` })
      .where('site', '=', of.site)
      .where('id', 'in', skipLocked(db, receipt, 'receipt'));
  });
}

/**
 * Holds a receipt as it is until the transaction ends, for whoever reads facts and changes none. Where one
 * process owns the file its write transaction does that.
 */
export async function holdReceipt(trx: Trx, site: string, id: string): Promise<void> {
  if (dialectOf(trx).isShared) await holding(trx, { site, id });
}

const holding = prepared((db, of: { readonly site: string; readonly id: string }) =>
  db
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', of.site)
    .where('id', '=', of.id)
    .forNoKeyUpdate(),
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
  await inPortions(trx, site, receiptIds, (ids) => markDue(trx, { site }, ids));
}

const markDue = preparedForList((db, of: OfSite, ids) =>
  db
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', of.site)
    .where('id', 'in', ids),
);

/**
 * Tells the receipts whose containers are covered and which wait for news from elsewhere: an instrument that
 * synced, a gap that was filled, unowned evidence that found its owner. A receipt whose containers are not
 * covered yet is evaluated when its next result comes.
 *
 * Where rows are locked one by one the news is written down and `applyNews` passes it on, since this transaction
 * could not take those receipts in order.
 */
export async function tellWaitingReceipts(trx: Trx, site: string): Promise<void> {
  if (dialectOf(trx).isShared) await insertNews(trx, { id: uuidv7(), site });
  else await markWaitingDue(trx, site);
}

const insertNews = preparedInsert('receipt_news');

async function markWaitingDue(trx: Trx, site: string): Promise<void> {
  await markWaiting(trx, { site });
}

const markWaiting = prepared((db, of: { readonly site: string }) => {
  const waiting = db
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', of.site)
    .where('evaluation_due', '=', sql.lit(2));
  return db
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', of.site)
    .where('id', 'in', inLockOrder(db, waiting));
});

/** Locks what a query takes from receipts, in the order every transaction keeps. */
function inLockOrder<O>(db: Reader, query: SelectQueryBuilder<Tables, 'receipt', O>) {
  return dialectOf(db).isShared ? query.orderBy('id').forUpdate() : query;
}

/** News of one round; what is left is taken up by the next. */
const NEWS_MAX = 1000;

/**
 * Marks the receipts due that wait for what was told. An evaluation that read its facts before the news was
 * committed and has not committed itself would still put its receipt among those that wait, unmarked: so all
 * that are under way are let end first, by the lock that they share.
 */
export async function applyNews(database: OpenDatabase, site: string): Promise<void> {
  const news = await database.db
    .selectFrom('receipt_news')
    .select('id')
    .where('site', '=', site)
    .limit(NEWS_MAX)
    .execute();
  if (news.length === 0) return;
  await database.transact((trx) => lockSiteEvidence(trx, site));
  await database.transact(async (trx) => {
    await markWaitingDue(trx, site);
    const ids = news.map(({ id }) => id);
    await trx.deleteFrom('receipt_news').where('id', 'in', ids).execute();
  });
}

/**
 * Marks every announced receipt, conforming ones too: for a site folder activated with other content (a
 * tightened plan, a method no longer approved), which can make any statement untrue.
 */
export async function markAnnouncedReceiptsDue(trx: Trx, site: string): Promise<void> {
  const announced = trx
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    .where('announced', '=', 1);
  await trx
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', site)
    .where('id', 'in', inLockOrder(trx, announced))
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

/**
 * Every evaluation: no evidence without an owner is stored from here to the end of the transaction. After the
 * receipts.
 */
export async function shareSiteEvidence(trx: Trx, site: string): Promise<void> {
  if (!dialectOf(trx).isShared || sharers.has(trx)) return;
  sharers.add(trx);
  if ((await sharing(trx, { site })).rows.length > 0) return;
  await insertEvidence(trx, { site, version: 0 });
  await sharing(trx, { site });
}

/** Transactions that share it already: an attempt is one object, and what it locked is locked to its end. */
const sharers = new WeakSet<Trx>();

const sharing = prepared((db, of: { readonly site: string }) =>
  db.selectFrom('site_evidence').select('version').where('site', '=', of.site).forShare(),
);

const insertEvidence = preparedInsert('site_evidence', ['site']);
