import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { openDatabase } from '../../src/storage/database.js';
import { temporaryDatabase, temporaryDirectory } from '../support/temp-database.js';

describe('the embedded database', () => {
  it('refuses a second owner of the same folder and says what to do', async () => {
    const directory = temporaryDirectory();
    const first = await openDatabase(directory);
    await expect(openDatabase(directory)).rejects.toThrow(/Another process owns this data folder/);
    await first.close();
    const second = await openDatabase(directory);
    await second.close();
  });

  it('refuses a database that a later version migrated', async () => {
    const directory = temporaryDirectory();
    await (await openDatabase(directory)).close();
    const file = new Database(join(directory, 'drumline.db'));
    file
      .prepare('insert into kysely_migration (name, timestamp) values (?, ?)')
      .run('9999-from-the-future', '2099-01-01');
    file.close();
    await expect(openDatabase(directory)).rejects.toThrow(/9999-from-the-future/);
  });

  it('keeps raw bytes as they were written, whoever asks', async () => {
    const { db } = await temporaryDatabase();
    await db
      .insertInto('raw_bytes')
      .values({ sha256: 'a', size: 1, bytes: Buffer.from('x') })
      .execute();
    await expect(
      db
        .updateTable('raw_bytes')
        .set({ bytes: Buffer.from('y') })
        .execute(),
    ).rejects.toThrow(/kept as written/);
    await expect(db.deleteFrom('raw_bytes').execute()).rejects.toThrow(/kept as written/);
  });

  it('lets a sealer number an audit entry once, and nobody change what it says', async () => {
    const { db } = await temporaryDatabase();
    await db
      .insertInto('audit_entry')
      .values({
        id: 'e1',
        site: 's',
        at: 1 as never,
        zone: 'UTC',
        actor_kind: 'system',
        actor: 'a',
        action: 'x',
        subject_kind: 'k',
        subject_id: 'i',
        reason: null,
        before: null,
        after: null,
        sequence: null,
      })
      .execute();
    await expect(db.updateTable('audit_entry').set({ reason: 'other' }).execute()).rejects.toThrow(
      /kept as written/,
    );
    await db.updateTable('audit_entry').set({ sequence: 1 }).execute();
    await expect(db.updateTable('audit_entry').set({ sequence: 2 }).execute()).rejects.toThrow(
      /kept as written/,
    );
    await expect(db.deleteFrom('audit_entry').execute()).rejects.toThrow(/kept as written/);
  });

  it('rolls back the whole transaction when its work fails', async () => {
    const database = await temporaryDatabase();
    await expect(
      database.transact(async (trx) => {
        await trx.insertInto('site_evidence').values({ site: 's', version: 1 }).execute();
        throw new Error('stop here');
      }),
    ).rejects.toThrow('stop here');
    expect(await database.db.selectFrom('site_evidence').selectAll().execute()).toEqual([]);
  });
});
