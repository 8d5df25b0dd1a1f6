import { sql } from 'kysely';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf, skipLocked } from '../storage/dialect.js';
import { prepared } from '../storage/prepared.js';
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
  const oldest = sql`(
    select min(${sql.ref(firstOf(trx))}) from bundle
    where bundle.site = lane.site and bundle.lane = lane.name and bundle.state = 'received')`;
  const free = trx
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
    .$if(of.except.length > 0, (query) => query.where('name', 'not in', [...of.except]))
    .orderBy(oldest)
    .limit(of.limit);
  return (await skipLocked(trx, free, 'lane').execute()).map(({ name }) => name);
}

/** Bundles that wait in these lanes, in the order they arrived. */
export function waitingBundles(
  trx: Trx,
  site: string,
  lanes: readonly string[],
  limit: number,
): Promise<BundleRow[]> {
  let query = trx
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', site)
    .where('state', '=', 'received')
    .where('lane', 'in', [...lanes])
    .limit(limit);
  for (const column of dialectOf(trx).arrivalOrder) query = query.orderBy(sql.ref(column));
  return query.execute();
}

export async function claimLanes(
  trx: Trx,
  of: { readonly site: string; readonly worker: string; readonly names: readonly string[] },
): Promise<LaneClaim[]> {
  const { site, worker } = of;
  const rows = await trx
    .updateTable('lane')
    .set((e) => ({ worker, fence: e('fence', '+', 1) }))
    .where('site', '=', site)
    .where('name', 'in', [...of.names])
    .returning(['name', 'fence'])
    .execute();
  return rows.map(({ name, fence }) => ({ site, name, worker, fence }));
}

/** Gives lanes back; one that was taken over meanwhile is left alone. */
export async function releaseLanes(trx: Trx, claims: readonly LaneClaim[]): Promise<void> {
  const [first] = claims;
  if (first === undefined) return;
  await trx
    .updateTable('lane')
    .set({ worker: null })
    .where('site', '=', first.site)
    .where('worker', '=', first.worker)
    .where((e) =>
      e.or(claims.map((c) => e.and([e('name', '=', c.name), e('fence', '=', c.fence)]))),
    )
    .execute();
}

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
