// A database of its own on a PostgreSQL server and a Redis server of its own, gone at the end.
import { execFileSync, spawn } from 'node:child_process';
import { randomBytes } from 'node:crypto';
import { once } from 'node:events';
import { createServer } from 'node:net';
import { Redis } from 'ioredis';
import pg from 'pg';

const SERVER_URL = process.env.BENCH_DATABASE_URL ?? 'postgres://postgres@127.0.0.1:5432/postgres';

/** Why no server pair can be had here; null when it can. */
export async function whyNoServers() {
  try {
    execFileSync('redis-server', ['--version'], { stdio: 'ignore' });
    await onServer('select 1');
    return null;
  } catch (error) {
    return error.message || String(error);
  }
}

/** @param directory of the Redis server, which writes nothing there as long as it is not told to. */
export async function openServerPair(directory) {
  const name = `drumline_bench_${randomBytes(6).toString('hex')}`;
  await onServer(`create database ${name}`);
  const url = new URL(SERVER_URL);
  url.pathname = `/${name}`;
  const redisPort = await freePort();
  const where = ['--port', String(redisPort), '--bind', '127.0.0.1', '--dir', directory];
  // As in docker-compose.yml.
  const server = spawn('redis-server', [...where, '--save', '', '--appendonly', 'yes'], {
    stdio: 'ignore',
  });
  process.once('exit', () => server.kill('SIGKILL'));
  const ended = once(server, 'exit');
  const redis = new Redis(`redis://127.0.0.1:${redisPort}`, { maxRetriesPerRequest: null });
  redis.on('error', () => undefined);
  await redis.ping();
  const pool = new pg.Pool({ connectionString: url.href, max: 2 });
  pool.on('error', () => undefined);
  return {
    databaseUrl: url.href,
    redisUrl: `redis://127.0.0.1:${redisPort}`,
    redis,
    query: async (text, values = []) => (await pool.query(text, values)).rows,
    close: async () => {
      await pool.end();
      redis.disconnect();
      server.kill('SIGKILL');
      await ended;
      await onServer(`drop database ${name} with (force)`);
    },
  };
}

async function onServer(text) {
  const client = new pg.Client({ connectionString: SERVER_URL });
  await client.connect();
  try {
    await client.query(text);
  } finally {
    await client.end();
  }
}

/** A port at which nobody listens. */
export async function freePort() {
  const server = createServer();
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address();
  server.close();
  await once(server, 'close');
  return port;
}
