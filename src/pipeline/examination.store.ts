import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import type { BundleRow } from '../storage/tables.js';

/** Notes who examines these bundles, before the first of them is touched. */
export async function markExamining(
  trx: Trx,
  ids: readonly string[],
  worker: string,
): Promise<void> {
  await mark(trx, { by: worker }, ids);
}

const mark = preparedForList((db, of: { readonly by: string }, ids) =>
  db
    .updateTable('bundle')
    .set({ examining_by: of.by })
    .where('id', 'in', [...ids])
    .where('state', '=', sql.lit('received')),
);

/**
 * Takes the note off bundles that were examined to an end and are not settled: if their examiner ends from here on, it is
 * not by them.
 */
export async function unmarkExamined(
  trx: Trx,
  ids: readonly string[],
  worker: string,
): Promise<void> {
  await unmark(trx, { worker }, ids);
}

const unmark = preparedForList((db, of: { readonly worker: string }, ids) =>
  db
    .updateTable('bundle')
    .set({ examining_by: null })
    .where('id', 'in', [...ids])
    .where('state', '=', sql.lit('received'))
    .where('examining_by', '=', of.worker),
);

/**
 * Which of these bundles may have ended a process: the ones that a worker which is gone was examining. A living worker may
 * have failed for another reason, which is no bundle's fault.
 */
export async function suspectsAmong(
  trx: Trx,
  bundles: readonly BundleRow[],
  self: string,
): Promise<ReadonlySet<string>> {
  const left = bundles.flatMap(({ id, examining_by: worker }) =>
    worker === null ? [] : [{ id, worker }],
  );
  const living = await livingAmong(
    trx,
    left.map(({ worker }) => worker),
    self,
  );
  return new Set(left.filter(({ worker }) => !living.has(worker)).map(({ id }) => id));
}

async function livingAmong(
  trx: Trx,
  workers: readonly string[],
  self: string,
): Promise<ReadonlySet<string>> {
  const others = [...new Set(workers)].filter((worker) => worker !== self);
  if (others.length === 0) return new Set([self]);
  const rows = await trx
    .selectFrom('worker')
    .select('id')
    .where('id', 'in', others)
    .where('stopped_at', 'is', null)
    .execute();
  return new Set([self, ...rows.map(({ id }) => id)]);
}

export async function addStrike(trx: Trx, id: string): Promise<void> {
  await trx
    .updateTable('bundle')
    .set({ strikes: sql<number>`strikes + 1` })
    .where('id', '=', id)
    .execute();
}

/** Settles a bundle; false when it was settled already. */
export async function settleBundleRow(
  trx: Trx,
  id: string,
  settled: Partial<BundleRow> & {
    readonly state: BundleRow['state'];
    readonly settled_at: Instant;
  },
): Promise<boolean> {
  const columns = Object.keys(settled) as (keyof typeof settled)[];
  const shape = columns.join(' ');
  const update = SETTLING.get(shape) ?? settling(columns);
  SETTLING.set(shape, update);
  return (await update(trx, { ...settled, bundleRowId: id })).written > 0;
}

type Settled = Partial<BundleRow> & { readonly bundleRowId: string };

/** One for each set of columns that settling a bundle names: read, refused, parked. */
const SETTLING = new Map<string, ReturnType<typeof settling>>();

function settling(columns: readonly (keyof BundleRow)[]) {
  return prepared((db, to: Settled) =>
    db
      .updateTable('bundle')
      .set({
        ...Object.fromEntries(columns.map((column) => [column, to[column]])),
        examining_by: null,
      })
      .where('id', '=', to.bundleRowId)
      .where('state', '=', sql.lit('received')),
  );
}

/**
 * How far down the order in which they were taken in bundles wait: the number of the last one that is not settled, null
 * when none waits. Whatever was answered for before has no higher one, as it is committed; a time of receipt does not say
 * so, since clocks are set back. The state is written out, since PostgreSQL would take a value that it does not know for the one that nearly all
 * have, and read every bundle.
 */
export async function lastWaiting(db: Reader, site: string): Promise<number | null> {
  const { rows } = await last(db, { site });
  return rows[0]?.number ?? null;
}

const last = prepared((db, of: { readonly site: string }) =>
  db
    .selectFrom('bundle')
    .select(sql<number | null>`max(${sql.ref(dialectOf(db).arrivalNumber)})`.as('number'))
    .where('site', '=', of.site)
    .where('state', '=', sql.lit('received')),
);

/** True while a bundle up to that number has not been settled. */
export async function isAnyWaitingThrough(
  db: Reader,
  site: string,
  number: number,
): Promise<boolean> {
  return (await anyThrough(db, { site, number })).rows.length > 0;
}

const anyThrough = prepared((db, of: { readonly site: string; readonly number: number }) =>
  db
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', of.site)
    .where('state', '=', sql.lit('received'))
    .where(sql<boolean>`${sql.ref(dialectOf(db).arrivalNumber)} <= ${of.number}`)
    .limit(sql.lit(1)),
);
