import type { Kysely } from 'kysely';
import { describe, expect, it } from 'vitest';
import { openDatabase } from '../../src/storage/database.js';
import { blankPlace, temporaryDatabase } from '../support/temp-database.js';

describe('a database, whichever it is', () => {
  it('refuses to open when a later version migrated it', async () => {
    const place = await blankPlace();
    const first = await openDatabase(place);
    await (first.db as unknown as Kysely<{ kysely_migration: { name: string; timestamp: string } }>)
      .insertInto('kysely_migration')
      .values({ name: '9999-from-the-future', timestamp: '2099-01-01' })
      .execute();
    await first.close();
    await expect(openDatabase(place)).rejects.toThrow(/9999-from-the-future/);
  });

  it('keeps whole numbers, broken numbers, bytes and odd text as they were written', async () => {
    const { db } = await temporaryDatabase();
    const at = 1_764_061_200_123_456 as never;
    const bytes = Uint8Array.from({ length: 256 }, (_, i) => i);
    await db.insertInto('raw_bytes').values({ sha256: 'a', size: 256, bytes }).execute();
    await db
      .insertInto('destination')
      .values({
        site: '\u{1F600} \u00e9',
        name: 'lims',
        tokens: 0.1 + 0.2,
        tokens_at: at,
        breaker: 'closed',
        breaker_failures: 0,
        breaker_until: null,
        paused: 0,
        pause_reason: null,
      })
      .execute();
    const raw = await db.selectFrom('raw_bytes').selectAll().executeTakeFirstOrThrow();
    expect([...raw.bytes]).toEqual([...bytes]);
    expect(raw.size).toBe(256);
    expect(await db.selectFrom('destination').selectAll().executeTakeFirstOrThrow()).toMatchObject({
      site: '\u{1F600} \u00e9',
      tokens: 0.1 + 0.2,
      tokens_at: at,
      breaker_until: null,
    });
  });

  it('orders text by its bytes, capitals first, whatever the locale', async () => {
    const { db } = await temporaryDatabase();
    const names = ['b', 'a', 'B', 'A', '\u00e4', 'a-1', 'a1', '_'];
    for (const site of names)
      await db.insertInto('site_evidence').values({ site, version: 1 }).execute();
    const rows = await db.selectFrom('site_evidence').select('site').orderBy('site').execute();
    expect(rows.map((r) => r.site)).toEqual(['A', 'B', '_', 'a', 'a-1', 'a1', 'b', '\u00e4']);
  });

  it('finds again what it was given a NUL in, as a foreign document may', async () => {
    const { db } = await temporaryDatabase();
    await db.insertInto('site_evidence').values({ site: 'a\u0000b', version: 7 }).execute();
    const row = await db
      .selectFrom('site_evidence')
      .select('version')
      .where('site', '=', 'a\u0000b')
      .executeTakeFirst();
    expect(row).toEqual({ version: 7 });
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
        source: null,
        algorithm: null,
        hash: null,
        sealed_at: null,
      })
      .execute();
    await expect(db.updateTable('audit_entry').set({ reason: 'other' }).execute()).rejects.toThrow(
      /kept as written/,
    );
    const seal = { sequence: 1, algorithm: 'x', hash: 'h', sealed_at: 2 as never };
    for (const column of Object.keys(seal)) {
      const half = { ...seal, [column]: null };
      await expect(db.updateTable('audit_entry').set(half).execute(), column).rejects.toThrow(
        /kept as written/,
      );
    }
    for (const column of ['source', 'zone', 'actor_kind', 'subject_kind', 'site', 'reason']) {
      const more = { ...seal, [column]: 'other' };
      await expect(db.updateTable('audit_entry').set(more).execute(), column).rejects.toThrow(
        /kept as written/,
      );
    }
    await db.updateTable('audit_entry').set(seal).execute();
    for (const [column, value] of Object.entries({ ...seal, hash: 'other', sealed_at: 3 })) {
      await expect(
        db
          .updateTable('audit_entry')
          .set({ [column]: value })
          .execute(),
      ).rejects.toThrow(/kept as written/);
    }
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
