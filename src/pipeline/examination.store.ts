import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { BundleRow } from '../storage/tables.js';

/** Marks a bundle that is examined with nothing beside it, so that a death counts against it alone. */
const ALONE = ' alone';

export function waitingBundles(db: Reader, site: string, limit: number): Promise<BundleRow[]> {
  return db
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', site)
    .where('state', '=', 'received')
    .orderBy('received_at')
    .orderBy('id')
    .limit(limit)
    .execute();
}

/** Notes who examines these bundles, before the first of them is touched. */
export async function markExamining(
  trx: Trx,
  ids: readonly string[],
  worker: string,
  isAlone: boolean,
): Promise<void> {
  await trx
    .updateTable('bundle')
    .set({ examining_by: isAlone ? `${worker}${ALONE}` : worker })
    .where('id', 'in', [...ids])
    .where('state', '=', 'received')
    .execute();
}

/**
 * At a start: whatever a dead process was examining. What it examined alone gets a strike, since nothing
 * else can have killed it; the others are suspects. Returns the suspects' ids.
 */
export async function collectSuspects(trx: Trx, site: string): Promise<string[]> {
  const left = await trx
    .selectFrom('bundle')
    .select(['id', 'examining_by'])
    .where('site', '=', site)
    .where('state', '=', 'received')
    .where('examining_by', 'is not', null)
    .execute();
  const guilty = left.filter((row) => row.examining_by?.endsWith(ALONE)).map((row) => row.id);
  for (const id of guilty) await addStrike(trx, id);
  return left.map((row) => row.id);
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
      .where('state', '=', 'received'),
  );
}

/** Bundles taken in at or before an instant that no check has looked at yet. */
export async function waitingSince(db: Reader, site: string, until: Instant): Promise<number> {
  const row = await db
    .selectFrom('bundle')
    .select((eb) => eb.fn.countAll<number>().as('n'))
    .where('site', '=', site)
    .where('state', '=', 'received')
    .where('received_at', '<=', until)
    .executeTakeFirstOrThrow();
  return Number(row.n);
}
