import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { preparedMany } from '../storage/many-rows.js';
import { bounded, prepared } from '../storage/prepared.js';
import type {
  AuditEntryRow,
  InstanceRow,
  TrailCheckpointRow,
  TrailHeadRow,
} from '../storage/tables.js';
import { workerIsGone } from '../storage/worker-identity.js';
import { CHAIN_START } from './chain.js';
import type { Seal } from './seal-entries.js';

/** The trail of a site as one worker has it: the fence tells this claim from every other. */
export interface TrailClaim {
  readonly site: string;
  readonly worker: string;
  readonly fence: number;
}

/** Looks, without a lock, whether this worker has the trail or could take it. */
export async function maySeal(reader: Reader, site: string, worker: string): Promise<boolean> {
  const { rows } = await takenByAnother(reader, { site, worker });
  return rows.length === 0;
}

const takenByAnother = prepared((db, of: { readonly site: string; readonly worker: string }) =>
  db
    .selectFrom('trail_head')
    .select('site')
    .where('site', '=', of.site)
    .where('worker', '<>', of.worker)
    .where(sql<boolean>`not ${workerIsGone('trail_head.worker')}`),
);

/** Takes the trail of a site when no living worker has it; null when one does. Its own it takes again. */
export async function claimTrail(
  trx: Trx,
  site: string,
  worker: string,
): Promise<TrailClaim | null> {
  await trx
    .insertInto('trail_head')
    .values({
      site,
      size: 0,
      hash: CHAIN_START.toString('hex'),
      peaks: '[]',
      sealed_at: 0 as Instant,
      worker: null,
      fence: 0,
      key_id: null,
      checkpoint_size: 0,
      checkpoint_at: 0 as Instant,
      checkpoint_digest: null,
    })
    .onConflict((c) => c.doNothing())
    .execute();
  const taken = await trx
    .updateTable('trail_head')
    .set((e) => ({ worker, fence: e('fence', '+', 1) }))
    .where('site', '=', site)
    .where((e) =>
      e.or([
        e('worker', 'is', null),
        e('worker', '=', worker),
        sql<boolean>`${workerIsGone('trail_head.worker')}`,
      ]),
    )
    .returning('fence')
    .executeTakeFirst();
  return taken === undefined ? null : { site, worker, fence: taken.fence };
}

/** Locks what a claim holds until the transaction ends; null when another worker has it by now. */
export async function holdTrail(trx: Trx, claim: TrailClaim): Promise<TrailHeadRow | null> {
  return (await lockHead(trx, claim)).rows[0] ?? null;
}

const lockHead = prepared((db, of: TrailClaim) => {
  const head = db
    .selectFrom('trail_head')
    .selectAll()
    .where('site', '=', of.site)
    .where('worker', '=', of.worker)
    .where('fence', '=', of.fence);
  return dialectOf(db).forUpdate(head, 'trail_head');
});

/** How far the trail is, without a lock; undefined before anything was sealed. */
export async function trailHead(reader: Reader, site: string): Promise<TrailHeadRow | undefined> {
  return (await readHead(reader, { site })).rows[0];
}

const readHead = prepared((db, of: { readonly site: string }) =>
  db.selectFrom('trail_head').selectAll().where('site', '=', of.site),
);

export async function releaseTrail(trx: Trx, claim: TrailClaim): Promise<void> {
  await trx
    .updateTable('trail_head')
    .set({ worker: null })
    .where('site', '=', claim.site)
    .where('worker', '=', claim.worker)
    .where('fence', '=', claim.fence)
    .execute();
}

/** Committed entries nobody has sealed, the oldest first. */
export async function unsealedEntries(
  reader: Reader,
  site: string,
  limit: number,
): Promise<readonly AuditEntryRow[]> {
  return (await unsealed(reader, { site, limit })).rows;
}

const unsealed = prepared((db, of: { readonly site: string; readonly limit: number }) =>
  db
    .selectFrom('audit_entry')
    .selectAll()
    .where('site', '=', of.site)
    .where('sequence', 'is', null)
    .orderBy('at')
    .orderBy('id')
    .limit(bounded(of.limit)),
);

/** Writes seals on their entries; returns how many were still without one. */
export async function writeSeals(trx: Trx, seals: readonly Seal[]): Promise<number> {
  if (!dialectOf(trx).isShared) {
    let written = 0;
    for (const seal of seals) written += (await sealOne(trx, seal)).written;
    return written;
  }
  return (await sealSome(trx, seals, {})).written;
}

/** On a file a statement an entry costs less than the plan of one for many. */
const sealOne = prepared((db, seal: Seal) =>
  db
    .updateTable('audit_entry')
    .set({
      sequence: seal.sequence,
      algorithm: seal.algorithm,
      hash: seal.hash,
      sealed_at: seal.sealed_at,
    })
    .where('id', '=', seal.id)
    .where('sequence', 'is', null),
);

const sealSome = preparedMany<Seal, never>(
  ['id', 'sequence', 'algorithm', 'hash', 'sealed_at'],
  (db, seals) => ({
    compile: () => {
      const rows = seals.map(
        (s) =>
          sql`(${s.id}, cast(${s.sequence} as bigint), ${s.algorithm}, ${s.hash}, cast(${s.sealed_at} as bigint))`,
      );
      return sql<never>`
        with seal(id, sequence, algorithm, hash, sealed_at) as (values ${sql.join(rows)})
        update audit_entry set sequence = seal.sequence, algorithm = seal.algorithm, hash = seal.hash,
          sealed_at = seal.sealed_at
        from seal where audit_entry.id = seal.id and audit_entry.sequence is null`.compile(db);
    },
  }),
);

type Advance = Pick<TrailHeadRow, 'size' | 'hash' | 'peaks' | 'sealed_at'>;

export async function advanceHead(trx: Trx, claim: TrailClaim, to: Advance): Promise<void> {
  await moveHead(trx, { ...claim, ...to });
}

const moveHead = prepared((db, of: TrailClaim & Advance) =>
  db
    .updateTable('trail_head')
    .set({ size: of.size, hash: of.hash, peaks: of.peaks, sealed_at: of.sealed_at })
    .where('site', '=', of.site)
    .where('worker', '=', of.worker)
    .where('fence', '=', of.fence),
);

export async function insertCheckpoint(
  trx: Trx,
  row: TrailCheckpointRow,
  of: { readonly digest: string; readonly keyId: string | null },
): Promise<void> {
  await trx.insertInto('trail_checkpoint').values(row).execute();
  await trx
    .updateTable('trail_head')
    .set({
      checkpoint_size: row.size,
      checkpoint_at: row.at,
      checkpoint_digest: of.digest,
      ...(of.keyId === null ? {} : { key_id: of.keyId }),
    })
    .where('site', '=', row.site)
    .execute();
}

/** The newest checkpoints of a site, the oldest of them first. */
export async function newestCheckpoints(
  reader: Reader,
  site: string,
  limit: number,
): Promise<TrailCheckpointRow[]> {
  const rows = await reader
    .selectFrom('trail_checkpoint')
    .selectAll()
    .where('site', '=', site)
    .orderBy('size', 'desc')
    .limit(limit)
    .execute();
  return rows.reverse();
}

/** Which life of this database runs; undefined before the first start. */
export function instanceOf(reader: Reader): Promise<InstanceRow | undefined> {
  return reader.selectFrom('instance').selectAll().executeTakeFirst();
}
