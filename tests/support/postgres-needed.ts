import { beforeEach } from 'vitest';
import { SERVER_URL, whyAbsent } from './postgres-server.js';

/**
 * Setup of every test file that runs on PostgreSQL. Without a server each of its tests shows up under its name
 * as skipped; with `CI=true` it fails, so that a build can never pass without it unnoticed.
 */
const reason = await whyAbsent();

if (reason !== null) {
  const { host } = new URL(SERVER_URL);
  const words = `no PostgreSQL at ${host} (TEST_DATABASE_URL): ${reason}`;
  beforeEach(({ skip }) => {
    if (process.env['CI'] === 'true') throw new Error(`${words}; CI=true requires it`);
    skip(words);
  });
}
