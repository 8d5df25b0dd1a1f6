import { once } from 'node:events';
import { type AddressInfo, connect, createServer, type Socket } from 'node:net';
import { describe, expect, it } from 'vitest';
import { openPool } from '../../src/storage/postgres-pool.js';
import { onServer, SERVER_URL } from '../support/postgres-server.js';
import { until } from '../support/until.js';

/** Passes everything on to the server, until it is told to pass nothing on of the connections that there are. */
async function openForwarder() {
  const server = new URL(SERVER_URL);
  const pairs = new Set<readonly [Socket, Socket]>();
  const listener = createServer((near) => {
    const far = connect(Number(server.port), server.hostname);
    pairs.add([near, far]);
    near.pipe(far);
    far.pipe(near);
    for (const socket of [near, far]) socket.on('error', () => undefined);
  });
  listener.listen(0, '127.0.0.1');
  await once(listener, 'listening');
  const url = new URL(SERVER_URL);
  url.port = String((listener.address() as AddressInfo).port);
  return {
    url: url.href,
    silence: () => {
      for (const [near, far] of pairs) {
        near.unpipe(far);
        far.unpipe(near);
        // Taken in and passed on to nobody.
        for (const socket of [near, far]) socket.resume();
      }
    },
    close: () => {
      for (const pair of pairs) for (const socket of pair) socket.destroy();
      listener.close();
    },
  };
}

const LOCK = 471_100;

describe('a connection that goes silent within a transaction', () => {
  it('leaves no lock behind, also where the server would not give it up by itself', async () => {
    const forwarder = await openForwarder();
    const pool = openPool({
      url: forwarder.url,
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
      forwarder.silence();
      await expect(client.query('select 1', [])).rejects.toThrow('Query read timeout');
      client.release();
      await until('the lock is free', async () => {
        const { rows } = await onServer(`select pg_try_advisory_lock(${LOCK}) as "isFree"`);
        return rows[0]?.isFree === true;
      });
    } finally {
      await pool.end();
      forwarder.close();
    }
  });
});
