import { describe, expect, it } from 'vitest';
import { GroupCommit } from '../../src/storage/group-commit.js';
import { temporaryDatabase } from '../support/temp-database.js';

describe('group commit', () => {
  it('answers every item, and only after a commit that holds it', async () => {
    const database = await temporaryDatabase();
    let transactions = 0;
    const counted = {
      db: database.db,
      close: () => database.close(),
      transact: <T>(work: Parameters<typeof database.transact<T>>[0]) => {
        transactions += 1;
        return database.transact(work);
      },
    };
    const commits = new GroupCommit(counted, async (trx, site: string) => {
      await trx.insertInto('site_evidence').values({ site, version: 1 }).execute();
      return site;
    });
    const names = Array.from({ length: 50 }, (_, i) => `s${i}`);
    const answers = await Promise.all(
      names.map(async (name) => {
        const answer = await commits.submit(name);
        const row = await database.db
          .selectFrom('site_evidence')
          .select('site')
          .where('site', '=', name)
          .executeTakeFirst();
        return { answer, committed: row?.site };
      }),
    );
    expect(answers.map((a) => a.answer)).toEqual(names);
    expect(answers.every((a) => a.answer === a.committed)).toBe(true);
    expect(transactions).toBeLessThan(10);
  });

  it('lets a bad item fail alone', async () => {
    const database = await temporaryDatabase();
    const commits = new GroupCommit(database, async (trx, site: string) => {
      if (site === 'bad') throw new Error('bad item');
      await trx.insertInto('site_evidence').values({ site, version: 1 }).execute();
      return site;
    });
    const settled = await Promise.allSettled(['a', 'bad', 'b', 'c'].map((s) => commits.submit(s)));
    expect(settled.map((s) => s.status)).toEqual([
      'fulfilled',
      'rejected',
      'fulfilled',
      'fulfilled',
    ]);
    const rows = await database.db
      .selectFrom('site_evidence')
      .select('site')
      .orderBy('site')
      .execute();
    expect(rows.map((r) => r.site)).toEqual(['a', 'b', 'c']);
  });
});
