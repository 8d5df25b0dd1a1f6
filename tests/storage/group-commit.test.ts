import { describe, expect, it } from 'vitest';
import type { OpenDatabase } from '../../src/storage/database.js';
import { GroupCommit } from '../../src/storage/group-commit.js';
import { prepared, preparedInsert } from '../../src/storage/prepared.js';
import { inTurns } from '../../src/storage/turns.js';
import { isPostgres, temporaryDatabase } from '../support/temp-database.js';

describe('group commit', () => {
  it('answers every item, and only after a commit that holds it', async () => {
    const { commits, sites, transactions } = await counted();
    const names = Array.from({ length: 50 }, (_, i) => `s${String(i).padStart(2, '0')}`);
    const answers = await Promise.all(
      names.map(async (site) => {
        const answer = await commits.run(async (trx) => {
          await trx.insertInto('site_evidence').values({ site, version: 1 }).execute();
          return site;
        });
        return { answer, committed: (await sites()).includes(site) };
      }),
    );
    expect(answers).toEqual(names.map((answer) => ({ answer, committed: true })));
    // How many share one depends on how long the first of them take.
    expect(transactions()).toBeLessThan(names.length);
  });

  it('lets a bad item fail alone', async () => {
    const { commits, sites } = await counted();
    const settled = await Promise.allSettled(
      ['a', 'bad', 'b', 'c'].map((site) =>
        commits.run(async (trx) => {
          await trx.insertInto('site_evidence').values({ site, version: 1 }).execute();
          if (site === 'bad') throw new Error('bad item');
        }),
      ),
    );
    expect(settled.map((s) => s.status)).toEqual([
      'fulfilled',
      'rejected',
      'fulfilled',
      'fulfilled',
    ]);
    expect(await sites()).toEqual(['a', 'b', 'c']);
  });

  it('answers what shared a commit with a bad item by what it did last, and keeps that once', async () => {
    const database = await temporaryDatabase();
    const runs = { before: 0, after: 0 };
    const add = (site: 'before' | 'after') =>
      database.transact(async (trx) => {
        runs[site] += 1;
        await trx.insertInto('site_evidence').values({ site, version: runs[site] }).execute();
        return runs[site];
      });
    const bad = () =>
      database.transact(async (trx) => {
        await trx.insertInto('site_evidence').values({ site: 'bad', version: 1 }).execute();
        throw new Error('bad item');
      });
    const settled = await Promise.allSettled([add('before'), bad(), add('after')]);
    expect(settled).toMatchObject([
      { status: 'fulfilled', value: runs.before },
      { status: 'rejected', reason: new Error('bad item') },
      { status: 'fulfilled', value: runs.after },
    ]);
    const rows = await database.db
      .selectFrom('site_evidence')
      .selectAll()
      .orderBy('site')
      .execute();
    expect(rows).toEqual([
      { site: 'after', version: runs.after },
      { site: 'before', version: runs.before },
    ]);
  });

  it('runs them in the order in which they were asked for, each seeing the ones before', async () => {
    const { commits } = await counted();
    const seen = await Promise.all(
      ['a', 'b', 'c'].map((site) =>
        commits.run(async (trx) => {
          await trx.insertInto('site_evidence').values({ site, version: 1 }).execute();
          const rows = await trx.selectFrom('site_evidence').select('site').execute();
          return rows.map((row) => row.site).sort();
        }),
      ),
    );
    expect(seen).toEqual([['a'], ['a', 'b'], ['a', 'b', 'c']]);
  });

  it('fails every item of a commit that fails, and keeps none of them', async () => {
    const database = await temporaryDatabase();
    const commits = new GroupCommit(failingAtCommit(database));
    const settled = await Promise.allSettled(
      ['a', 'b'].map((site) =>
        commits.run((trx) =>
          trx.insertInto('site_evidence').values({ site, version: 1 }).execute(),
        ),
      ),
    );
    expect(settled.map((s) => s.status)).toEqual(['rejected', 'rejected']);
    expect(await sitesOf(database)).toEqual([]);
  });

  it('fails what cannot even begin', async () => {
    const transaction = () => {
      throw new Error('the database is closed (simulated)');
    };
    const commits = new GroupCommit({ transaction });
    const settled = await Promise.allSettled(['a', 'b'].map(() => commits.run(async () => 'done')));
    expect(settled.map((s) => s.status)).toEqual(['rejected', 'rejected']);
  });

  it('lets other work of the process have its turn between commits', async () => {
    const { commits } = await counted();
    let turns = 0;
    const ticking = setInterval(() => {
      turns += 1;
    }, 1);
    let left = 200;
    const next = async (): Promise<void> => {
      await commits.run((trx) => trx.selectFrom('site_evidence').selectAll().execute());
      left -= 1;
      if (left > 0) await next();
    };
    await next();
    clearInterval(ticking);
    expect(turns).toBeGreaterThan(0);
  });

  it('runs what writes beside it in its turn, with no transaction meanwhile', async () => {
    const { commits, sites } = await counted();
    const said: string[] = [];
    const add = (site: string) =>
      commits.run(async (trx) => {
        said.push(site);
        await trx.insertInto('site_evidence').values({ site, version: 1 }).execute();
      });
    const aside = commits.aside(async () => {
      said.push('aside begins');
      await new Promise((resolve) => setTimeout(resolve, 20));
      // Whoever only reads is not kept waiting.
      said.push(`aside ends beside ${(await sites()).join()}`);
      return 'done';
    });
    const failing = commits.aside(() => Promise.reject(new Error('the disk is full (simulated)')));
    const [first, second, third] = await Promise.allSettled([add('a'), aside, failing, add('b')]);
    expect(first).toMatchObject({ status: 'fulfilled' });
    expect(second).toMatchObject({ status: 'fulfilled', value: 'done' });
    expect(third).toMatchObject({ status: 'rejected' });
    expect(said).toEqual(['aside begins', 'aside ends beside ', 'a', 'b']);
    expect(await sites()).toEqual(['a', 'b']);
  });

  it.skipIf(isPostgres)(
    'lets everything else have its turn while one transaction goes on, which nobody sees before its end',
    async () => {
      const database = await temporaryDatabase();
      const seen = new Set<number>();
      let turns = 0;
      const reading: Promise<unknown>[] = [];
      let ticking: NodeJS.Timeout | undefined;
      const tick = () => {
        turns += 1;
        reading.push(sitesOf(database).then((sites) => seen.add(sites.length)));
        reading.push(
          evidence(database.db, { site: 's0' }).then(({ rows }) => seen.add(rows.length * 1_000)),
        );
      };
      await database.transact(async (trx) => {
        // Not before it began: until then there is nothing to be seen.
        ticking = setInterval(tick, 1);
        const end = performance.now() + 100;
        for (let i = 0; performance.now() < end && i < 1_000; i += 1) {
          await addEvidence(trx, { site: `s${i}`, version: 1 });
          await trx.selectFrom('site_evidence').select('site').limit(1).execute();
          turnBusy(1);
        }
        await trx.deleteFrom('site_evidence').where('site', '<>', 's0').execute();
      });
      clearInterval(ticking);
      await Promise.all(reading);
      expect(turns).toBeGreaterThan(2);
      // One row once it was committed; never the many there were on the way.
      expect([...seen].sort()).toEqual([1, 1_000]);
    },
  );
});

describe('something long that a transaction works out', () => {
  function* counting(to: number): Generator<void, number> {
    let sum = 0;
    for (let i = 1; i <= to; i += 1) {
      turnBusy(1);
      sum += i;
      yield;
    }
    return sum;
  }

  it('is worked out to its end', async () => {
    const database = await temporaryDatabase();
    expect(await database.transact((trx) => inTurns(trx, counting(5)))).toBe(15);
    function* failing(): Generator<void, number> {
      yield;
      throw new Error('a defect (simulated)');
    }
    await expect(database.transact((trx) => inTurns(trx, failing()))).rejects.toThrow('a defect');
  });

  it.skipIf(isPostgres)('lets everything else have its turn', async () => {
    const database = await temporaryDatabase();
    let turns = 0;
    const ticking = setInterval(() => {
      turns += 1;
    }, 1);
    await database.transact((trx) => inTurns(trx, counting(100)));
    clearInterval(ticking);
    // 100 ms of work in stretches of 8.
    expect(turns).toBeGreaterThan(5);
  });
});

const addEvidence = preparedInsert('site_evidence');
const evidence = prepared((db, of: { readonly site: string }) =>
  db.selectFrom('site_evidence').select('site').where('site', '=', of.site),
);

/** Keeps the process busy, as a calculation does. */
function turnBusy(ms: number): void {
  const end = performance.now() + ms;
  while (performance.now() < end);
}

async function counted() {
  const database = await temporaryDatabase();
  let transactions = 0;
  const transaction = () => {
    transactions += 1;
    return database.db.transaction();
  };
  return {
    commits: new GroupCommit({ transaction }),
    transactions: () => transactions,
    sites: () => sitesOf(database),
  };
}

/** Runs the work of each transaction and then fails as a full disk does, at the commit. */
function failingAtCommit(database: OpenDatabase): OpenDatabase['db'] {
  const transaction = () => ({
    execute: (work: Parameters<OpenDatabase['transact']>[0]) =>
      database.db.transaction().execute(async (trx) => {
        await work(trx);
        throw new Error('SQLITE_FULL (simulated)');
      }),
  });
  return { transaction } as unknown as OpenDatabase['db'];
}

async function sitesOf({ db }: OpenDatabase): Promise<string[]> {
  const rows = await db.selectFrom('site_evidence').select('site').orderBy('site').execute();
  return rows.map((row) => row.site);
}
