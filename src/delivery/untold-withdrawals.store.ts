import { type ExpressionBuilder, sql } from 'kysely';
import { chunks } from '../storage/chunks.js';
import type { Reader } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { ResultState, Tables } from '../storage/tables.js';
import { isWithdrawnBehind, mayBeHeld } from './outbox.store.js';

/**
 * A destination that holds, or may hold, a revision of a result that does not stand any more, and has no withdrawal of it:
 * no mapping of the destination was in force when it was taken back.
 */
export interface UntoldWithdrawal {
  /** Of the result as it is held there. */
  readonly deliveryId: string;
  readonly rowId: string;
  readonly destination: string;
  readonly revision: number;
  /** Receipt that the result was of at that revision; null where it had none. */
  readonly receiptId: string | null;
  readonly result: ResultNow;
}

/** The result as it stands now. */
export interface ResultNow {
  readonly resultId: string;
  readonly state: ResultState;
  readonly revision: number;
  readonly receiptId: string | null;
}

/** Of the results of a receipt, and of those that were withdrawn from it and are of another one now. */
export async function untoldOfReceipt(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<UntoldWithdrawal[]> {
  const { rows } = await heldByReceipt(reader, { site, receiptId });
  const all = await withResults(reader, rows);
  return all.filter((u) => u.receiptId === receiptId || u.result.receiptId === receiptId);
}

/** Of these results, by row id. */
export async function untoldOfResults(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<UntoldWithdrawal[]> {
  const found: UntoldWithdrawal[] = [];
  for (const ids of chunks(rowIds, IDS)) {
    const rows = await untold(reader, site).where('delivery.subject_id', 'in', ids).execute();
    found.push(...(await withResults(reader, rows)));
  }
  return found;
}

/** A withdrawal of a result that is in the outbox, whatever became of it. */
export interface ToldWithdrawal {
  readonly deliveryId: string;
  readonly rowId: string;
  readonly destination: string;
}

/** Of these results, by row id. */
export async function withdrawalsOfResults(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<ToldWithdrawal[]> {
  const found: ToldWithdrawal[] = [];
  for (const ids of chunks(rowIds, IDS)) {
    found.push(
      ...(await reader
        .selectFrom('withdrawal')
        .innerJoin('delivery', 'delivery.subject_id', 'withdrawal.id')
        .select([
          'delivery.id as deliveryId',
          'withdrawal.result_row_id as rowId',
          'delivery.destination',
        ])
        .where('withdrawal.result_row_id', 'in', ids)
        .where('delivery.site', '=', site)
        .where('delivery.subject_kind', '=', 'withdrawal')
        .orderBy('delivery.id')
        .execute()),
    );
  }
  return found;
}

/** Values bound in one `in (…)`. */
const IDS = 500;

interface HeldRow {
  readonly id: string;
  readonly subject_id: string;
  readonly destination: string;
  readonly subject_revision: number;
  readonly receipt_id: string | null;
}

const heldByReceipt = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  untold(db, of.site)
    // Not a join: that would be free to start from every result that was ever delivered.
    .where('delivery.subject_id', 'in', (eb) =>
      eb
        .selectFrom('result')
        .select('result.id')
        .where('result.site', '=', of.site)
        .where('result.receipt_id', '=', of.receiptId)
        .where((e) =>
          e.or([
            e('result.revision', '>', sql.lit(1)),
            e('result.state', '<>', sql.lit('accepted')),
          ]),
        )
        .union((e) =>
          e
            .selectFrom('withdrawal')
            .select('withdrawal.result_row_id as id')
            .where('withdrawal.site', '=', of.site)
            .where('withdrawal.receipt_id', '=', of.receiptId),
        ),
    ),
);

function untold(db: Reader, site: string) {
  return db
    .selectFrom('delivery')
    .select(['id', 'subject_id', 'destination', 'subject_revision'])
    .select((eb) =>
      eb.fn
        .coalesce(
          eb
            .selectFrom('withdrawal')
            .select('withdrawal.receipt_id')
            .whereRef('withdrawal.result_row_id', '=', 'delivery.subject_id')
            .whereRef('withdrawal.result_revision', '=', 'delivery.subject_revision'),
          'delivery.receipt_id',
        )
        .as('receipt_id'),
    )
    .where('site', '=', site)
    .where('subject_kind', '=', sql.lit('result'))
    .where(mayBeHeld)
    .where(standsNoMore)
    .where((eb) => eb.not(isWithdrawnBehind(eb)))
    .orderBy('subject_revision')
    .orderBy('id');
}

function standsNoMore(eb: ExpressionBuilder<Tables, 'delivery'>) {
  return eb.exists(
    eb
      .selectFrom('result')
      .select('result.id')
      .whereRef('result.id', '=', 'delivery.subject_id')
      .where((e) =>
        e.or([
          e('result.revision', '>', e.ref('delivery.subject_revision')),
          e('result.state', '<>', sql.lit('accepted')),
        ]),
      ),
  );
}

/** Builds of one revision at one destination are one thing that is held there. */
async function withResults(reader: Reader, rows: readonly HeldRow[]): Promise<UntoldWithdrawal[]> {
  if (rows.length === 0) return [];
  const results = new Map<string, ResultNow>();
  for (const ids of chunks([...new Set(rows.map((r) => r.subject_id))], IDS)) {
    const found = await reader
      .selectFrom('result')
      .select(['id', 'result_id', 'state', 'revision', 'receipt_id'])
      .where('id', 'in', ids)
      .execute();
    for (const r of found) {
      const { id, result_id: resultId, state, revision, receipt_id: receiptId } = r;
      results.set(id, { resultId, state, revision, receiptId });
    }
  }
  const once = new Map<string, UntoldWithdrawal>();
  for (const row of rows) {
    const { id, subject_id: rowId, destination, subject_revision: revision } = row;
    const result = results.get(rowId);
    if (result === undefined) continue;
    once.set(JSON.stringify([rowId, revision, destination]), {
      deliveryId: id,
      rowId,
      destination,
      revision,
      receiptId: row.receipt_id,
      result,
    });
  }
  return [...once.values()];
}
