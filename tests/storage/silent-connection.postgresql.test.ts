import { describe, expect, it } from 'vitest';
import { openDatabase } from '../../src/storage/database.js';
import { openPostgres } from '../../src/storage/open-postgres.js';
import { openPool } from '../../src/storage/postgres-pool.js';
import { onServer, throughProxy } from '../support/postgres-server.js';
import { temporaryPlace } from '../support/temp-database.js';
import { until } from '../support/until.js';

const LOCK = 471_100;

describe('a connection that goes silent within a transaction', () => {
  it('leaves no lock behind, also where the server would not give it up by itself', async () => {
    const { url, proxy } = await throughProxy();
    const pool = openPool({
      url,
      connectionsMax: 2,
      applicationName: `drumline-silent-${process.pid}`,
      isBounded: true,
      answerMs: 500,
    });
    try {
      const client = await pool.connect();
      await client.query('begin', []);
      // As where its wall clock is set back meanwhile, by which it counts.
      await client.query('set local idle_in_transaction_session_timeout = 0', []);
      await client.query(`select pg_advisory_xact_lock(${LOCK})`, []);
      proxy.stall();
      await expect(client.query('select 1', [])).rejects.toThrow('Query read timeout');
      client.release();
      await until('the lock is free', async () => {
        const { rows } = await onServer(`select pg_try_advisory_lock(${LOCK}) as "isFree"`);
        return rows[0]?.isFree === true;
      });
    } finally {
      await pool.end();
      await proxy.close();
    }
  });
});

describe('a start whose connection goes silent', () => {
  it.each([
    ['while it looks at the server', 'server_version_num'],
    ['while it looks for migrations', 'pg_try_advisory_xact_lock_shared'],
  ])('%s ends, and the next one comes up', async (_when, asked) => {
    const place = await temporaryPlace();
    await (await openDatabase(place)).close();
    const { url, proxy } = await throughProxy(place.databaseUrl ?? undefined);
    try {
      proxy.stallAt(asked);
      const opening = openPostgres({ url, alert: () => undefined, answerMs: 500 });
      await expect(opening).rejects.toMatchObject({
        code: 'database-unreachable',
        found: expect.stringContaining('Query read timeout'),
      });
      await (await openPostgres({ url, alert: () => undefined })).close();
    } finally {
      await proxy.close();
    }
  });
});
