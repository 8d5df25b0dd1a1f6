import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import type { BundleRow } from '../storage/tables.js';

/** Marks a bundle that is examined with nothing beside it, so that a death counts against it alone. */
const ALONE = ' alone';

/** Notes who examines these bundles, before the first of them is touched. */
export async function markExamining(
  trx: Trx,
  ids: readonly string[],
  worker: string,
  isAlone: boolean,
): Promise<void> {
  await mark(trx, { by: isAlone ? `${worker}${ALONE}` : worker }, ids);
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
  await unmark(trx, { worker, alone: `${worker}${ALONE}` }, ids);
}

const unmark = preparedForList((db, of: { readonly worker: string; readonly alone: string }, ids) =>
  db
    .updateTable('bundle')
    .set({ examining_by: null })
    .where('id', 'in', [...ids])
    .where('state', '=', sql.lit('received'))
    .where('examining_by', 'in', [of.worker, of.alone]),
);

/** Which of these bundles may have ended a process, and which of them has. */
export interface Suspicion {
  /** One of those that a worker examined when it ended: they are examined one at a time. */
  readonly suspects: ReadonlySet<string>;
  /** Was examined with nothing beside it: it gets a strike, which is written by now. */
  readonly guilty: ReadonlySet<string>;
}

/**
 * Looks at what the bundles' examiners have left. A bundle whose examiner is gone is a suspect until it is
 * settled; one that it examined alone gets a strike, once, since nothing else can have ended it. A living worker
 * may have failed for another reason, which is no bundle's fault.
 */
export async function collectSuspicion(
  trx: Trx,
  bundles: readonly BundleRow[],
  self: string,
): Promise<Suspicion> {
  const left = bundles.flatMap(({ id, examining_by: mark }) =>
    mark === null ? [] : [{ id, worker: mark.replace(ALONE, ''), wasAlone: mark.endsWith(ALONE) }],
  );
  const living = await livingAmong(
    trx,
    left.map(({ worker }) => worker),
    self,
  );
  const isGone = (worker: string) => !living.has(worker);
  const guilty = left.filter(({ worker, wasAlone }) => wasAlone && isGone(worker));
  for (const { id, worker } of guilty) {
    await addStrike(trx, id);
    await markExamining(trx, [id], worker, false);
  }
  const suspects = left.filter(({ worker, wasAlone }) => wasAlone || isGone(worker));
  return {
    suspects: new Set(suspects.map(({ id }) => id)),
    guilty: new Set(guilty.map(({ id }) => id)),
  };
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

/** True while a bundle waits whose examiner is gone. */
export async function isAnyLeft(db: Reader, site: string): Promise<boolean> {
  const row = await db
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', site)
    .where('state', '=', 'received')
    .where('examining_by', 'is not', null)
    .where(({ not, exists, selectFrom }) =>
      not(
        exists(
          selectFrom('worker')
            .select('worker.id')
            .where('worker.stopped_at', 'is', null)
            .where((eb) =>
              eb('worker.id', '=', sql<string>`replace(bundle.examining_by, ${ALONE}, '')`),
            ),
        ),
      ),
    )
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/**
 * True while a bundle that was taken in at or before an instant has not been settled. The state is written out, since
 * PostgreSQL would take a value that it does not know for the one that nearly all have, and read every bundle.
 */
export async function isAnyWaitingSince(
  db: Reader,
  site: string,
  until: Instant,
): Promise<boolean> {
  const row = await db
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', site)
    .where('state', '=', sql.lit('received'))
    .where('received_at', '<=', until)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}
