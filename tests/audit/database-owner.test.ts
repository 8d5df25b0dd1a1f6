import { type Kysely, sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { peaksText } from '../../src/audit/chain-head.js';
import { checkpointText } from '../../src/audit/checkpoint.js';
import { newTrailKey } from '../../src/audit/signing-key.js';
import { verifyDatabase } from '../../src/audit/verification.service.js';
import type { TrailReport } from '../../src/audit/verify-trail.js';
import { addMs, type Instant } from '../../src/formats/instant.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import { openDatabase, type Trx } from '../../src/storage/database.js';
import type { Tables } from '../../src/storage/tables.js';
import { spoilTakenDatabases } from '../support/postgres-server.js';
import { blankPlace, isPostgres } from '../support/temp-database.js';
import { MUTATIONS, stealKeys } from './trail-mutations.js';
import { sealedTrail, type Trail } from './trail-world.js';

const { key } = newTrailKey();
const { key: attacker } = newTrailKey();
const whole = sealedTrail('northquay', { entries: 30, every: 12, keys: [key] });
const other = sealedTrail('southquay', { entries: 30, every: 12 });
stealKeys([key]);

describe('the owner of a database', () => {
  it('is refused by the guards every change of a trail, and can only drop them', async () => {
    const { db, close } = await openDatabase(await blankPlace());
    await write(db as unknown as Trx, whole);
    const refused = [
      db.updateTable('audit_entry').set({ reason: 'other' }).where('sequence', '=', 1),
      db.deleteFrom('audit_entry').where('sequence', '=', 1),
      db.updateTable('trail_checkpoint').set({ document: '{}' }),
      db.deleteFrom('trail_checkpoint'),
      db.updateTable('trail_head').set({ size: 3 }),
      db.deleteFrom('trail_head'),
    ];
    for (const query of refused) await expect(query.execute()).rejects.toThrow(/kept as written/);
    await dropGuards(db);
    await db
      .updateTable('audit_entry')
      .set({ reason: 'other' })
      .where('sequence', '=', 1)
      .execute();
    await close();
  });

  it('is found out by what is in the database, by the key or by the folder outside', async () => {
    const { db, close } = await openDatabase(await blankPlace());
    await dropGuards(db);
    const sound = await undone(db, whole, {});
    expect(sound).toMatchObject({ firstBroken: null, sealed: 30, covered: 30 });
    for (const [seed, mutation] of [...MUTATIONS, ...MUTATIONS].entries()) {
      const trail = { ...whole, rows: [...whole.rows], checkpoints: [...whole.checkpoints] };
      const place = mutation.apply(trail, seededRandom(seed), { other, attacker });
      const report = await undone(db, trail, {
        ...(mutation.needs === 'outside' ? { outside: whole.checkpoints } : {}),
        ...(mutation.needs === 'nothing' ? {} : { keys: [key] }),
      });
      expect(report.firstBroken, mutation.name).not.toBeNull();
      if (place !== null) expect(report.firstBroken?.sequence, mutation.name).toBe(place);
    }
    await close();
  });
});

/** Judges a trail as the rows of a database, and leaves the database as it was. */
async function undone(
  db: Kysely<Tables>,
  trail: Trail,
  of: { readonly outside?: Trail['checkpoints']; readonly keys?: readonly [typeof key] },
): Promise<TrailReport> {
  let report: TrailReport | null = null;
  const undo = new Error('undone');
  await db
    .transaction()
    .execute(async (trx) => {
      await write(trx, trail);
      report = await verifyDatabase(trx, trail.site, {
        keys: of.keys ?? [],
        outside: of.outside ?? [],
      });
      throw undo;
    })
    .catch((error: unknown) => {
      if (error !== undo) throw error;
    });
  if (report === null) throw new Error('nothing was judged');
  return report;
}

async function write(trx: Trx, { site, rows, checkpoints, head }: Trail): Promise<void> {
  const last = addMs(rows[0]?.at ?? (0 as Instant), 3_600_000);
  await trx
    .insertInto('worker')
    .values({ id: 'w', started_at: last, heartbeat_at: last, stopped_at: null })
    .execute();
  await trx.insertInto('audit_entry').values(rows).execute();
  for (const signed of checkpoints) {
    const { size } = signed.checkpoint;
    const row = { site, size, at: last, document: checkpointText(signed) };
    await trx
      .insertInto('trail_checkpoint')
      .values(row)
      .onConflict((c) => c.doNothing())
      .execute();
  }
  await trx
    .insertInto('trail_head')
    .values({
      site,
      size: head.edge.size,
      hash: head.hash.toString('hex'),
      peaks: peaksText(head),
      sealed_at: last,
      worker: null,
      fence: 1,
      key_id: key.id,
      checkpoint_size: 0,
      checkpoint_at: last,
      checkpoint_digest: null,
    })
    .execute();
}

async function dropGuards(db: Kysely<Tables>): Promise<void> {
  spoilTakenDatabases();
  for (const table of ['audit_entry', 'trail_checkpoint', 'trail_head']) {
    for (const action of ['update', 'delete']) {
      const on = isPostgres ? ` on ${table}` : '';
      await sql.raw(`drop trigger ${table}_no_${action}${on}`).execute(db);
    }
  }
  await sql.raw('drop index audit_entry_by_sequence').execute(db);
}
