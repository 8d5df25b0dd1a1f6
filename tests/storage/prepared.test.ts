import { describe, expect, it } from 'vitest';
import { bounded, prepared, preparedInsert } from '../../src/storage/prepared.js';
import { temporaryDatabase } from '../support/temp-database.js';

const evidence = prepared((db, of: { readonly site: string; readonly limit: number }) =>
  db
    .selectFrom('site_evidence')
    .selectAll()
    .where('site', '>=', of.site)
    .orderBy('site')
    .limit(bounded(of.limit)),
);

const raise = prepared((db, to: { readonly site: string; readonly version: number }) =>
  db.updateTable('site_evidence').set({ version: to.version }).where('site', '=', to.site),
);

describe('a prepared query', () => {
  it('gives every run its own values, inside and outside a transaction', async () => {
    const database = await temporaryDatabase();
    await database.transact(async (trx) => {
      for (const site of ['a', 'b', 'c']) await insert(trx, { site, version: 1 });
      expect((await evidence(trx, { site: 'b', limit: 9 })).rows.map((r) => r.site)).toEqual([
        'b',
        'c',
      ]);
    });
    const { rows } = await evidence(database.db, { site: 'a', limit: 2 });
    expect(rows).toEqual([
      { site: 'a', version: 1 },
      { site: 'b', version: 1 },
    ]);
  });

  it('says how many rows it wrote', async () => {
    const database = await temporaryDatabase();
    await database.transact(async (trx) => {
      await insert(trx, { site: 'a', version: 1 });
      expect((await raise(trx, { site: 'a', version: 2 })).written).toBe(1);
      expect((await raise(trx, { site: 'z', version: 2 })).written).toBe(0);
    });
    expect((await evidence(database.db, { site: 'a', limit: 1 })).rows).toEqual([
      { site: 'a', version: 2 },
    ]);
  });

  it('is built once, whatever is asked of it', async () => {
    const { db } = await temporaryDatabase();
    let built = 0;
    const counted = prepared((reader, of: { readonly site: string }) => {
      built += 1;
      return reader.selectFrom('site_evidence').select('version').where('site', '=', of.site);
    });
    for (const site of ['a', 'b', 'c']) await counted(db, { site });
    expect(built).toBe(1);
  });
});

const insert = preparedInsert('site_evidence');

describe('a prepared insert', () => {
  it('writes rows of different shapes and keeps what is there when told so', async () => {
    const database = await temporaryDatabase();
    const keep = preparedInsert('site_evidence', ['site']);
    await database.transact(async (trx) => {
      expect(await keep(trx, { site: 'a', version: 1 })).toBe(true);
      expect(await keep(trx, { version: 2, site: 'a' })).toBe(false);
      expect(await keep(trx, { version: 2, site: 'b' })).toBe(true);
    });
    expect((await evidence(database.db, { site: 'a', limit: 9 })).rows).toEqual([
      { site: 'a', version: 1 },
      { site: 'b', version: 2 },
    ]);
  });

  it('fails on what must be unique, unless told to keep it', async () => {
    const database = await temporaryDatabase();
    const keepAny = preparedInsert('site_evidence', 'any');
    await database.transact((trx) => insert(trx, { site: 'a', version: 1 }));
    await expect(
      database.transact((trx) => insert(trx, { site: 'a', version: 2 })),
    ).rejects.toThrow(/unique/i);
    expect(await database.transact((trx) => keepAny(trx, { site: 'a', version: 2 }))).toBe(false);
  });
});
