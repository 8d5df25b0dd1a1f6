import { type ExpressionBuilder, type SqlBool, sql } from 'kysely';
import { GOES_ON } from '../receipts/lineage.js';
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
  /**
   * A later revision, of another place, that has left for this destination already: behind it no withdrawal of an earlier one
   * may leave (rule 25). Null where none has.
   */
  readonly overtakenBy: number | null;
  readonly result: ResultNow;
}

/** The result as it stands now. */
export interface ResultNow {
  readonly resultId: string;
  readonly state: ResultState;
  readonly revision: number;
  readonly receiptId: string | null;
}

/**
 * Of the results of a receipt, and of those that were withdrawn from it and are of another one now; also from what it went on
 * from by a split or a merge: what is held of that is held of its drums.
 */
export async function untoldOfReceipt(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<UntoldWithdrawal[]> {
  const { rows } = await heldByReceipt(reader, { site, receiptId });
  const all = await untoldAmong(reader, site, rows);
  if (all.length === 0) return [];
  const { rows: sources } = await sourcesOf(reader, { site, receiptId });
  const own = new Set([receiptId, ...sources.map((s) => s.from_receipt)]);
  return all.filter(
    (u) => u.result.receiptId === receiptId || (u.receiptId !== null && own.has(u.receiptId)),
  );
}

const sourcesOf = prepared((db, of: OfReceipt) => sources(db, of));

/** What a receipt went on from: whatever did, over however many steps, has a link of its own from each. */
export function sources(db: Reader, of: OfReceipt) {
  return db
    .selectFrom('receipt_link')
    .select('receipt_link.from_receipt')
    .where('receipt_link.site', '=', of.site)
    .where('receipt_link.to_receipt', '=', of.receiptId)
    .where(IS_GOING_ON);
}

const IS_GOING_ON = sql<SqlBool>`receipt_link.kind in (${sql.join(GOES_ON.map((kind) => sql.lit(kind)))})`;

interface OfReceipt {
  readonly site: string;
  readonly receiptId: string;
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
    found.push(...(await untoldAmong(reader, site, rows)));
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

const heldByReceipt = prepared((db, of: OfReceipt) =>
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
        )
        .union((e) =>
          e
            .selectFrom('withdrawal')
            .select('withdrawal.result_row_id as id')
            .where('withdrawal.site', '=', of.site)
            .where('withdrawal.receipt_id', 'in', sources(db, of)),
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

/**
 * Builds of one revision at one destination are one thing that is held there. Not untold is one that a later revision of the
 * same place was sent behind: that says the same place, and nobody would understand a withdrawal of the earlier one.
 */
async function untoldAmong(
  reader: Reader,
  site: string,
  rows: readonly HeldRow[],
): Promise<UntoldWithdrawal[]> {
  const rowIds = [...new Set(rows.map((r) => r.subject_id))];
  if (rowIds.length === 0) return [];
  const results = new Map<string, ResultNow>();
  const sent: SentRevision[] = [];
  const moves: Move[] = [];
  for (const ids of chunks(rowIds, IDS)) {
    for (const { id, ...result } of await resultsNow(reader, ids)) results.set(id, result);
    sent.push(...(await sentRevisions(reader, site, ids)));
    moves.push(...(await movesOf(reader, ids)));
  }
  const once = new Map<string, UntoldWithdrawal>();
  for (const row of rows) {
    const { id, subject_id: rowId, destination, subject_revision: revision } = row;
    const result = results.get(rowId);
    if (result === undefined) continue;
    const later = sent.filter(
      (d) => d.rowId === rowId && d.destination === destination && d.revision > revision,
    );
    const place = placeAt(moves, rowId, revision);
    if (later.some((d) => placeAt(moves, rowId, d.revision) === place)) continue;
    once.set(JSON.stringify([rowId, revision, destination]), {
      deliveryId: id,
      rowId,
      destination,
      revision,
      receiptId: row.receipt_id,
      overtakenBy: later.length === 0 ? null : Math.max(...later.map((d) => d.revision)),
      result,
    });
  }
  return [...once.values()];
}

function resultsNow(reader: Reader, rowIds: readonly string[]) {
  return reader
    .selectFrom('result')
    .select(['id', 'result_id as resultId', 'state', 'revision', 'receipt_id as receiptId'])
    .where('id', 'in', rowIds)
    .execute();
}

interface SentRevision {
  readonly rowId: string;
  readonly destination: string;
  readonly revision: number;
}

const IN_THE_KEY = sql<SqlBool>`state not in ('cancelled', 'superseded')`;

/** What destinations hold of results or may hold, are on their way to get as it stands, or get to have it withdrawn. */
function sentRevisions(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<SentRevision[]> {
  return reader
    .selectFrom('delivery')
    .select(['subject_id as rowId', 'destination', 'subject_revision as revision'])
    .where('site', '=', site)
    .where('subject_kind', '=', sql.lit('result'))
    .where('subject_id', 'in', rowIds)
    .where((eb) =>
      eb.or([mayBeHeld(eb), isWithdrawnBehind(eb), eb.and([IN_THE_KEY, eb.not(standsNoMore(eb))])]),
    )
    .execute();
}

/** A signed act that gave a result its place from a revision on. */
interface Move {
  readonly rowId: string;
  readonly revision: number;
  readonly from: string;
  readonly to: string;
}

async function movesOf(reader: Reader, rowIds: readonly string[]): Promise<Move[]> {
  const rows = await reader
    .selectFrom('attribution')
    .selectAll()
    .where('result_row_id', 'in', rowIds)
    .where('state', '=', 'signed')
    .orderBy('result_revision')
    .orderBy('id')
    .execute();
  return rows.map((r) => ({
    rowId: r.result_row_id,
    revision: r.result_revision ?? 0,
    from: JSON.stringify([r.from_receipt, r.from_label]),
    to: JSON.stringify([r.to_receipt, r.to_label]),
  }));
}

/** Receipt and container of a result at a revision; null where no signed act ever gave it another place. */
function placeAt(moves: readonly Move[], rowId: string, revision: number): string | null {
  const own = moves.filter((m) => m.rowId === rowId);
  const last = own.findLast((m) => m.revision <= revision);
  return last?.to ?? own[0]?.from ?? null;
}
