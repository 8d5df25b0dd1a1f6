import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { preparedInsert } from '../../src/storage/prepared.js';
import { sideBySide } from '../../src/storage/side-by-side.js';
import { temporaryDatabase } from '../support/temp-database.js';

const insert = preparedInsert('site_evidence');

describe('queries asked side by side', () => {
  it('are answered in the order they were given, inside and outside a transaction', async () => {
    const { db, transact } = await temporaryDatabase();
    const ask = (reader: Parameters<typeof sideBySide>[0]) =>
      sideBySide(reader, [
        async () => (await sql<{ n: number }>`select 1 as n`.execute(reader)).rows[0]?.n,
        async () => 'nothing was asked',
        async () => (await sql<{ n: number }>`select 3 as n`.execute(reader)).rows[0]?.n,
      ]);
    expect(await ask(db)).toEqual([1, 'nothing was asked', 3]);
    expect(await transact(ask)).toEqual([1, 'nothing was asked', 3]);
  });

  it('see what was written before them, and write together', async () => {
    const { db, transact } = await temporaryDatabase();
    await transact(async (trx) => {
      await insert(trx, { site: 'a', version: 1 });
      const [, before] = await sideBySide(trx, [
        () => insert(trx, { site: 'b', version: 1 }),
        () => trx.selectFrom('site_evidence').selectAll().where('site', '=', 'a').execute(),
        () => insert(trx, { site: 'c', version: 1 }),
      ]);
      expect(before).toEqual([{ site: 'a', version: 1 }]);
    });
    const rows = await db.selectFrom('site_evidence').select('site').orderBy('site').execute();
    expect(rows.map(({ site }) => site)).toEqual(['a', 'b', 'c']);
  });

  it('fail with what failed by itself, and leave nothing of their neighbours', async () => {
    const { db, transact } = await temporaryDatabase();
    const failing = transact((trx) =>
      sideBySide(trx, [
        async () => {
          await insert(trx, { site: 'a', version: 1 });
          await insert(trx, { site: 'b', version: 1 });
          await insert(trx, { site: 'c', version: 1 });
        },
        async () => {
          throw new Error('a rule was broken');
        },
      ]),
    );
    await expect(failing).rejects.toThrow('a rule was broken');
    const failingThere = transact((trx) =>
      sideBySide(trx, [
        async () => {
          await insert(trx, { site: 'a', version: 1 });
          await insert(trx, { site: 'b', version: 1 });
        },
        () => sql`select * from no_such_table`.execute(trx),
        () => insert(trx, { site: 'c', version: 1 }),
      ]),
    );
    await expect(failingThere).rejects.toThrow(/no_such_table/);
    expect(await db.selectFrom('site_evidence').selectAll().execute()).toEqual([]);
    await transact((trx) => insert(trx, { site: 'd', version: 1 }));
    expect(await db.selectFrom('site_evidence').selectAll().execute()).toHaveLength(1);
  });

  it('ask a transaction nothing any more when it has ended', async () => {
    const { db, transact } = await temporaryDatabase();
    const late: (() => Promise<unknown>)[] = [];
    await transact(async (trx) => {
      await insert(trx, { site: 'a', version: 1 });
      late.push(() => insert(trx, { site: 'b', version: 1 }));
    });
    await transact(async (trx) => {
      late.push(() => insert(trx, { site: 'c', version: 1 }));
      throw new Error('undone');
    }).catch(() => undefined);
    for (const ask of late) await expect(ask()).rejects.toThrow();
    const rows = await db.selectFrom('site_evidence').select('site').execute();
    expect(rows).toEqual([{ site: 'a' }]);
  });
});
