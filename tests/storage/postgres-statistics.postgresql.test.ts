import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import type { ClockedDatabase } from '../../src/storage/database.js';
import { openPostgres } from '../../src/storage/open-postgres.js';
import { isOutgrown, PostgresStatistics } from '../../src/storage/postgres-statistics.js';
import type { StorageAlert } from '../../src/storage/storage-alert.js';
import { SERVER_URL } from '../support/postgres-server.js';
import { temporaryDatabase, temporaryPlace } from '../support/temp-database.js';
import { until } from '../support/until.js';

describe('a table that the server has to look at', () => {
  it.each([
    ['a small one never', 99, null, null, false],
    ['one that nobody looked at', 100, null, null, true],
    ['one that was empty when it was looked at', 100, 0, null, true],
    ['one that has not grown fourfold since', 3_999, 1_000, null, false],
    ['one that has', 4_000, 1_000, null, true],
    ['one that would not be looked at, not again at once', 3_999, null, 1_000, false],
    ['one that would not be looked at, when it has grown', 4_000, null, 1_000, true],
  ])('%s', (_case, rows, lookedAtRows, triedAtRows, expected) => {
    expect(isOutgrown({ name: 'delivery', rows, lookedAtRows }, triedAtRows)).toBe(expected);
  });
});

describe('statistics of a PostgreSQL database', () => {
  it('are made as a table grows, and not twice for the same rows', async () => {
    const database = await temporaryDatabase();
    const statistics = new PostgresStatistics(database.db);
    await addSites(database, 0, 150);
    await until('150 rows are counted', async () => (await seen(database)).rows === 150);
    await statistics.round();
    await until('it is looked at', async () => (await seen(database)).looks === 1);
    await statistics.round();
    await addSites(database, 150, 600);
    await until('600 rows are counted', async () => (await seen(database)).rows === 600);
    await statistics.round();
    await until('it is looked at again', async () => (await seen(database)).looks === 2);
    expect((await seen(database)).planned).toBe(600);
  });
});

describe('a server that does not clear away what was replaced', () => {
  it('is named at the start', async () => {
    const place = await temporaryPlace();
    const url = new URL(place.databaseUrl ?? SERVER_URL);
    url.searchParams.set('options', '-c track_counts=off');
    const alerts: StorageAlert[] = [];
    const database = await openPostgres({
      url: url.href,
      alert: (alert) => void alerts.push(alert),
    });
    await database.close();
    expect(alerts.map(({ code }) => code)).toContain('database-not-tidied');
  });
});

async function addSites({ db }: ClockedDatabase, from: number, to: number): Promise<void> {
  const values = Array.from({ length: to - from }, (_, i) => ({
    site: `site-${from + i}`,
    version: 1,
  }));
  await db.insertInto('site_evidence').values(values).execute();
}

/** What the server counts, and what its planner goes by. */
async function seen({ db }: ClockedDatabase) {
  const { rows } = await sql<{ rows: number; looks: number; planned: number }>`
    select s.n_live_tup as rows, s.analyze_count as looks, c.reltuples::int8 as planned
    from pg_stat_user_tables s join pg_class c on c.oid = s.relid
    where s.relname = 'site_evidence'`.execute(db);
  const [row] = rows;
  if (row === undefined) throw new Error('no such table');
  return row;
}
