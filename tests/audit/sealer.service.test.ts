import { chmodSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { basename, join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { readCheckpointFolder } from '../../src/audit/checkpoint-folder.files.js';
import { claimTrail, holdTrail } from '../../src/audit/sealing.store.js';
import { newTrailKey } from '../../src/audit/signing-key.js';
import { markRestored } from '../../src/cli/restored.store.js';
import {
  databasesOfProcesses,
  isPostgres,
  ManualClock,
  temporaryDatabase,
  temporaryDirectory,
} from '../support/temp-database.js';
import { change, die, NONE, SITE, sealerOn, verdict } from './sealing-world.js';

describe('the sealer', () => {
  it('numbers and chains what was committed, without gaps, in one batch or in many', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock } = await sealerOn(database);
    await change(database, 3, clock);
    expect(await sealer.sealOnce()).toBe('sealed');
    await change(database, 300, clock);
    await sealer.sealAll();
    const rows = await database.db
      .selectFrom('audit_entry')
      .select('sequence')
      .orderBy('sequence')
      .execute();
    expect(rows.map(({ sequence }) => sequence)).toEqual(Array.from({ length: 303 }, (_, n) => n));
    expect(await verdict(database)).toMatchObject({ entries: 303, sealed: 303, firstBroken: null });
    expect(await sealer.sealOnce()).toBe('nothing');
  });

  it('is one at a time: another takes over only from one that is gone, and goes on with its chain', async () => {
    const [one, two] = await databasesOfProcesses(2);
    if (one === undefined || two === undefined) throw new Error('no databases');
    const clock = new ManualClock();
    const first = await sealerOn(one, { clock });
    const second = await sealerOn(two, { clock });
    await change(one, 5, clock);
    expect(await first.sealer.sealOnce()).toBe('sealed');
    await change(one, 5, clock);
    expect(await second.sealer.sealOnce()).toBe('nothing');
    await die(one, first.worker.id, clock.now());
    expect(await second.sealer.sealOnce()).toBe('sealed');
    expect(await verdict(one)).toMatchObject({ sealed: 10, unsealed: 0, firstBroken: null });
  });

  it('changes nothing once it has lost the trail', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock, worker } = await sealerOn(database);
    const other = await sealerOn(database, { clock });
    await change(database, 2, clock);
    await sealer.sealOnce();
    await die(database, worker.id, clock.now());
    await change(database, 2, clock);
    await other.sealer.sealOnce();
    await change(database, 2, clock);
    const before = await database.db.selectFrom('trail_head').selectAll().execute();
    expect(await sealer.sealOnce()).toBe('nothing');
    const stale = { site: SITE, worker: worker.id, fence: 1 };
    expect(await database.transact((trx) => holdTrail(trx, stale))).toBeNull();
    expect(await database.transact((trx) => claimTrail(trx, SITE, worker.id))).toBeNull();
    expect(await database.db.selectFrom('trail_head').selectAll().execute()).toEqual(before);
    expect(await verdict(database)).toMatchObject({ sealed: 4, unsealed: 2 });
  });

  it('two at once on one database seal every entry once', async () => {
    const [one, two] = await databasesOfProcesses(2);
    if (one === undefined || two === undefined) throw new Error('no databases');
    const clock = new ManualClock();
    const sealers = [await sealerOn(one, { clock }), await sealerOn(two, { clock })];
    await change(one, 60, clock);
    await Promise.all(sealers.map(({ sealer }) => sealer.sealAll()));
    expect(await verdict(one)).toMatchObject({ sealed: 60, unsealed: 0, firstBroken: null });
  });

  it('keeps the committed time when the clock was set back, says so in the trail, and seals on', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock } = await sealerOn(database);
    await change(database, 1, clock);
    await sealer.sealOnce();
    clock.advance(-3_600_000);
    const committed = clock.now();
    await change(database, 1, clock);
    await sealer.sealAll();
    const rows = await database.db
      .selectFrom('audit_entry')
      .selectAll()
      .orderBy('sequence')
      .execute();
    expect(rows.map(({ action }) => action)).toEqual([
      'thing.changed',
      'thing.changed',
      'trail.clock-set-back',
    ]);
    expect(rows[1]?.at).toBe(committed);
    expect(JSON.parse(rows[2]?.after ?? '')).toMatchObject({ backMs: 3_600_000 });
    const report = await verdict(database);
    expect(report.firstBroken).toBeNull();
    expect(report.remarks.map(({ kind }) => kind)).toContain('clock-set-back');
  });

  it('does not take two clocks that read a little apart for one set back', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock } = await sealerOn(database);
    await change(database, 1, clock);
    await sealer.sealOnce();
    clock.advance(-50);
    await change(database, 1, clock);
    await sealer.sealAll();
    const report = await verdict(database);
    expect(report).toMatchObject({ sealed: 2, firstBroken: null });
    expect(report.remarks.map(({ kind }) => kind)).not.toContain('clock-set-back');
  });

  it('makes checkpoints by number, by time and at its end, and none for nothing new', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock } = await sealerOn(database, { checkpointEveryEntries: 10 });
    const sizes = async () => {
      const rows = await database.db
        .selectFrom('trail_checkpoint')
        .selectAll()
        .orderBy('size')
        .execute();
      return rows.map(({ document }) => {
        const { size, cause } = JSON.parse(document).checkpoint;
        return [size, cause];
      });
    };
    await change(database, 1, clock);
    await sealer.sealAll();
    await change(database, 12, clock);
    await sealer.sealAll();
    await change(database, 1, clock);
    await sealer.sealAll();
    clock.advance(300_000);
    await sealer.sealAll();
    clock.advance(200_000);
    await sealer.sealAll();
    await change(database, 1, clock);
    await sealer.stop();
    expect(await sizes()).toEqual([
      [1, 'interval'],
      [13, 'entries'],
      [14, 'interval'],
      [15, 'close'],
    ]);
    const report = await verdict(database);
    expect(report).toMatchObject({ covered: 15, firstBroken: null });
    const head = await database.db.selectFrom('trail_head').select('worker').executeTakeFirst();
    expect(head?.worker).toBeNull();
  });

  it('announces its key, signs with it, and has both keys sign when it is changed', async () => {
    const database = await temporaryDatabase();
    const [old, next] = [newTrailKey().key, newTrailKey().key];
    const clock = new ManualClock();
    const first = await sealerOn(database, { clock, key: old });
    await change(database, 2, clock);
    await first.sealer.stop();
    const without = await sealerOn(database, { clock, key: next });
    await expect(without.sealer.start()).rejects.toThrow(/DRUMLINE_TRAIL_KEY_BEFORE/);
    const second = await sealerOn(database, { clock, key: next, keyBefore: old });
    await change(database, 2, clock);
    await second.sealer.stop();
    const pinned = await verdict(database, { ...NONE, keys: [old] });
    expect(pinned.firstBroken).toBeNull();
    expect(pinned.remarks.map(({ kind }) => kind)).toContain('key-changed');
    expect(pinned.checkpoints.signed).toBe(2);
    const wrong = await verdict(database, { ...NONE, keys: [newTrailKey().key] });
    expect(wrong.firstBroken?.kind).toBe('bad-signature');
  });

  it('does not go on unsigned because its key was left out, unless that is said', async () => {
    const database = await temporaryDatabase();
    const { key } = newTrailKey();
    const clock = new ManualClock();
    const first = await sealerOn(database, { clock, key });
    await change(database, 1, clock);
    await first.sealer.stop();
    const leftOut = await sealerOn(database, { clock });
    await expect(leftOut.sealer.start()).rejects.toMatchObject({
      code: 'trail-key-unusable',
      found: expect.stringContaining(key.id) as string,
    });
    const said = await sealerOn(database, { clock, keyBefore: 'lost' });
    await said.sealer.start();
    await change(database, 1, clock);
    await said.sealer.stop();
    expect(said.logged()).toContain('trail.unsigned');
    const { checkpoints } = await verdict(database, { ...NONE, keys: [key] });
    expect(checkpoints).toMatchObject({ signed: 1, trail: 2 });
    // Unsigned ones take nothing of what the next start is asked for.
    const again = await sealerOn(database, { clock });
    await expect(again.sealer.start()).rejects.toThrow(/DRUMLINE_TRAIL_KEY names none/);
    const back = await sealerOn(database, { clock, key });
    await back.sealer.start();
    await back.sealer.stop();
  });

  it('seals unsigned, and says nothing of it, where nothing was signed before', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock, logged } = await sealerOn(database);
    await sealer.start();
    await change(database, 1, clock);
    await sealer.stop();
    expect(logged()).toContain('trail.sealing');
    expect(logged()).not.toContain('trail.unsigned');
  });

  it('seals what a command wrote without a key, and leaves the checkpoint to those who have it', async () => {
    const database = await temporaryDatabase();
    const { key } = newTrailKey();
    const clock = new ManualClock();
    const first = await sealerOn(database, { clock, key });
    await change(database, 1, clock);
    await first.sealer.stop();
    const command = await sealerOn(database, { clock });
    await change(database, 1, clock);
    await command.sealer.sealLeftovers();
    const report = await verdict(database, { ...NONE, keys: [key] });
    expect(report).toMatchObject({
      // With the entry that announced the key.
      sealed: isPostgres ? 2 : 3,
      firstBroken: null,
      checkpoints: { signed: 1, trail: 1 },
    });
  });

  it('shows a key that was changed without the one before', async () => {
    const database = await temporaryDatabase();
    const [old, next] = [newTrailKey().key, newTrailKey().key];
    const clock = new ManualClock();
    const first = await sealerOn(database, { clock, key: old });
    await change(database, 1, clock);
    await first.sealer.stop();
    const second = await sealerOn(database, { clock, key: next, keyBefore: 'lost' });
    await second.sealer.start();
    await second.sealer.stop();
    expect((await verdict(database, { ...NONE, keys: [old] })).firstBroken?.kind).toBe(
      'bad-signature',
    );
    expect((await verdict(database, { ...NONE, keys: [old, next] })).firstBroken).toBeNull();
  });

  it('names what waited too long for its seal, and not what only just came', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock, worker } = await sealerOn(database);
    await change(database, 2, clock);
    await sealer.sealAll();
    await change(database, 1, clock);
    expect(await verdict(database)).toMatchObject({ unsealed: 1, firstBroken: null });
    clock.advance(60_000);
    await database.db
      .updateTable('worker')
      .set({ heartbeat_at: clock.now() })
      .where('id', '=', worker.id)
      .execute();
    expect((await verdict(database)).firstBroken).toMatchObject({ kind: 'unsealed-too-long' });
  });

  it('does not take the mark of a restore for one that waits, until somebody works on the database', async () => {
    const database = await temporaryDatabase();
    const { sealer, clock } = await sealerOn(database);
    await change(database, 2, clock);
    await sealer.sealAll();
    await change(database, 1, clock);
    const { db } = database;
    const row = { epoch: 1, tick: 1, recovering: null, recovering_since: null, facts_until: null };
    const created_at = clock.now();
    await db
      .insertInto('instance')
      .values({ id: 'i', created_at, place: 'here', ...row })
      .execute();
    const folder = { site: SITE, digest: 'd', content: '{}', activated_at: clock.now() };
    await db.insertInto('site').values(folder).execute();
    // The backup of a gateway that runs, put back an hour later.
    clock.advance(3_600_000);
    await database.transact((trx) => markRestored(trx, '2026-11-25T09:00:00.000Z', clock.now()));
    expect(await verdict(database)).toMatchObject({ entries: 4, unsealed: 2, firstBroken: null });
    // From its start on a sealer comes by every moment.
    const startedAt = (place: string | null) => db.updateTable('instance').set({ place }).execute();
    await startedAt('here');
    expect((await verdict(database)).firstBroken).toMatchObject({ kind: 'unsealed-too-long' });
    await startedAt(null);
    expect((await verdict(database)).firstBroken).toBeNull();
    // Whatever else bears a time at which nobody worked was put in.
    await change(database, 1, clock);
    expect((await verdict(database)).firstBroken).toMatchObject({ kind: 'unsealed-too-long' });
  });
});

describe('checkpoints outside', () => {
  it('are written once, each to a file of its own that cannot be written to, and compare', async () => {
    const folder = temporaryDirectory();
    const database = await temporaryDatabase();
    const { sealer, clock } = await sealerOn(database, { folder, checkpointEveryEntries: 2 });
    await change(database, 2, clock);
    await sealer.sealAll();
    await change(database, 3, clock);
    await sealer.stop();
    const names = readdirSync(folder).sort();
    expect(names).toEqual([
      'northquay.0.000000000002.checkpoint.json',
      'northquay.0.000000000005.checkpoint.json',
    ]);
    const outside = readCheckpointFolder(folder).checkpoints;
    const report = await verdict(database, { keys: [], outside });
    expect(report).toMatchObject({ firstBroken: null, checkpoints: { trail: 2, outside: 2 } });
  });

  it('are never written over: what is there stays, half a file of a dying process too, and is passed over', async () => {
    const folder = temporaryDirectory();
    const database = await temporaryDatabase();
    const { sealer, clock, said } = await sealerOn(database, { folder });
    const [half, other] = [1, 2].map((n) =>
      join(folder, `northquay.0.${`${n}`.padStart(12, '0')}.checkpoint.json`),
    );
    if (half === undefined || other === undefined) throw new Error('no names');
    writeFileSync(half, '{"checkpoint":{"alg');
    writeFileSync(other, 'something else');
    for (let n = 0; n < 3; n += 1) {
      await change(database, 1, clock);
      clock.advance(300_000);
      await sealer.sealAll();
    }
    await sealer.stop();
    expect(readFileSync(half, 'utf8')).toBe('{"checkpoint":{"alg');
    expect(readFileSync(other, 'utf8')).toBe('something else');
    expect(said().map((line) => [line.event, line.file])).toEqual([
      ['checkpoint-unfinished', basename(half)],
      ['checkpoint-differs', basename(other)],
    ]);
    const { checkpoints, unreadable } = readCheckpointFolder(folder);
    expect(checkpoints.map(({ checkpoint }) => checkpoint.size)).toEqual([3]);
    expect(unreadable).toHaveLength(2);
    const report = await verdict(database, { keys: [], outside: checkpoints, unreadable });
    expect(report.firstBroken?.kind).toBe('unreadable');
  });

  it('are caught up on once a folder that was away is back', async () => {
    const folder = join(temporaryDirectory(), 'away');
    const database = await temporaryDatabase();
    const { sealer, clock, outlet } = await sealerOn(database, { folder });
    await change(database, 1, clock);
    await sealer.sealAll();
    await outlet.catchUp();
    mkdirSync(folder);
    chmodSync(folder, 0o700);
    await outlet.catchUp();
    expect(readdirSync(folder)).toHaveLength(1);
  });
});
