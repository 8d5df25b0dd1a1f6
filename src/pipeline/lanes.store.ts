import { sql } from 'kysely';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf, skipLocked } from '../storage/dialect.js';
import { preparedMany } from '../storage/many-rows.js';
import { bounded, prepared, preparedForList } from '../storage/prepared.js';
import type { BundleRow } from '../storage/tables.js';
import { workerIsGone } from '../storage/worker-identity.js';

/** A lane as one worker has it: the fence tells this claim from every other. */
export interface LaneClaim {
  readonly site: string;
  readonly name: string;
  readonly worker: string;
  readonly fence: number;
}

/**
 * Lanes in which bundles wait and that no living worker has, the one that waits longest first; locked until the
 * transaction ends. Lanes that another process looks at in this moment are passed over.
 */
export async function freeLanes(
  trx: Trx,
  of: {
    readonly site: string;
    readonly worker: string;
    readonly except: readonly string[];
    readonly limit: number;
  },
): Promise<string[]> {
  const { except, ...rest } = of;
  const { rows } =
    except.length === 0 ? await free(trx, rest) : await freeExcept(trx, rest, except);
  return rows.map(({ name }) => name);
}

/**
 * Lanes in which bundles wait and that are not there: a process remembers which it has made, and works on with a database
 * that was promoted or put back to before. Reads one row for each lane, however many wait in it.
 */
export async function missingLanes(db: Reader, site: string): Promise<string[]> {
  const { rows } = await sql<{ name: string }>`
    with recursive waiting (name) as (
      select min(lane) from bundle where site = ${site} and state = 'received'
      union all
      select (
        select min(bundle.lane) from bundle
        where bundle.site = ${site} and bundle.state = 'received' and bundle.lane > waiting.name)
      from waiting where waiting.name is not null
    )
    select name from waiting
    where name is not null
      and not exists (select 1 from lane where lane.site = ${site} and lane.name = waiting.name)`.execute(
    db,
  );
  return rows.map(({ name }) => name);
}

interface Looking {
  readonly site: string;
  readonly worker: string;
  readonly limit: number;
}

const free = prepared((db, of: Looking) =>
  skipLocked(db, freeQuery(db, of).limit(bounded(of.limit)), 'lane'),
);

const freeExcept = preparedForList((db, of: Looking, except) =>
  skipLocked(
    db,
    freeQuery(db, of)
      .where('name', 'not in', [...except])
      .limit(bounded(of.limit)),
    'lane',
  ),
);

function freeQuery(db: Reader, of: Looking) {
  const oldest = sql`(
    select min(${sql.ref(firstOf(db))}) from bundle
    where bundle.site = lane.site and bundle.lane = lane.name and bundle.state = 'received')`;
  return db
    .selectFrom('lane')
    .select('name')
    .where('site', '=', of.site)
    .where((e) =>
      e.or([
        e('worker', 'is', null),
        e('worker', '=', of.worker),
        sql<boolean>`${workerIsGone('lane.worker')}`,
      ]),
    )
    .where(sql<boolean>`${oldest} is not null`)
    .orderBy(oldest);
}

/** Bundles that wait in these lanes, in the order they arrived. */
export async function waitingBundles(
  trx: Trx,
  site: string,
  lanes: readonly string[],
  limit: number,
): Promise<readonly BundleRow[]> {
  return (await waiting(trx, { site, limit }, lanes)).rows;
}

const waiting = preparedForList(
  (db, of: { readonly site: string; readonly limit: number }, lanes) => {
    let query = db
      .selectFrom('bundle')
      .selectAll()
      .where('site', '=', of.site)
      .where('state', '=', sql.lit('received'))
      .where('lane', 'in', [...lanes])
      .limit(bounded(of.limit));
    for (const column of dialectOf(db).arrivalOrder) query = query.orderBy(sql.ref(column));
    return query;
  },
);

export async function claimLanes(
  trx: Trx,
  of: { readonly site: string; readonly worker: string; readonly names: readonly string[] },
): Promise<LaneClaim[]> {
  const { site, worker, names } = of;
  const { rows } = await takeLanes(trx, { site, worker }, names);
  return rows.map(({ name, fence }) => ({ site, name, worker, fence }));
}

const takeLanes = preparedForList(
  (db, of: { readonly site: string; readonly worker: string }, names) =>
    db
      .updateTable('lane')
      .set((e) => ({ worker: of.worker, fence: e('fence', '+', 1) }))
      .where('site', '=', of.site)
      .where('name', 'in', [...names])
      .returning(['name', 'fence']),
);

/** Gives lanes back; one that was taken over meanwhile is left alone. */
export async function releaseLanes(trx: Trx, claims: readonly LaneClaim[]): Promise<void> {
  const [first] = claims;
  if (first === undefined) return;
  await leaveLanes(trx, claims, { site: first.site, worker: first.worker });
}

const leaveLanes = preparedMany<
  Pick<LaneClaim, 'name' | 'fence'>,
  never,
  { readonly site: string; readonly worker: string }
>(['name', 'fence'], (db, claims, of) =>
  db
    .updateTable('lane')
    .set({ worker: null })
    .where('site', '=', of.site)
    .where('worker', '=', of.worker)
    .where((e) =>
      e.or(claims.map((c) => e.and([e('name', '=', c.name), e('fence', '=', c.fence)]))),
    ),
);

/**
 * Locks a lane for the settling of its next bundle. False when another worker has it by now, when the bundle is
 * settled, or when one waits that arrived before it: without that one, this one's runs would look like a gap.
 */
export async function holdLane(trx: Trx, claim: LaneClaim, bundleRowId: string): Promise<boolean> {
  return (await lockLane(trx, { ...claim, bundleRowId })).rows.length === 1;
}

const lockLane = prepared((db, of: LaneClaim & { readonly bundleRowId: string }) => {
  const { arrivalOrder, isShared } = dialectOf(db);
  const next = sql`(
    select bundle.id from bundle
    where bundle.site = lane.site and bundle.lane = lane.name and bundle.state = 'received'
    order by ${sql.join(arrivalOrder.map((column) => sql.ref(`bundle.${column}`)))} limit 1)`;
  const lane = db
    .selectFrom('lane')
    .select('name')
    .where('site', '=', of.site)
    .where('name', '=', of.name)
    .where('worker', '=', of.worker)
    .where('fence', '=', of.fence)
    .where(sql<boolean>`${next} = ${of.bundleRowId}`);
  return isShared ? lane.forUpdate('lane') : lane;
});

/** Column by which the oldest of a lane is found. */
function firstOf(db: Reader): string {
  const [first] = dialectOf(db).arrivalOrder;
  if (first === undefined) throw new Error('nothing says which bundle came first');
  return `bundle.${first}`;
}
