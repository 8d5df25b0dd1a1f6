import { resolve } from 'node:path';
import type { PostgresServer } from '../storage/postgres-copy.js';
import { withSharedView } from '../storage/postgres-copy.js';
import { fillEmptyDatabase } from '../storage/postgres-fill.js';
import { manifestOf, refuseChanged, unusable, writeBackupFile } from './backup-file.files.js';
import type { BackupManifest } from './backup-manifest.js';
import { findPostgresTool, refuseOlderTool, runPostgresTool } from './postgres-tool.runner.js';
import { markRestored } from './restored.store.js';

type Environment = Readonly<Record<string, string | undefined>>;

/** A migration that is under way holds the tables; longer than this is a fault. */
const LOCK_WAIT_MS = 60_000;

/**
 * Writes what `pg_dump` makes of a PostgreSQL database, and its manifest of the very same view, both whole or not
 * at all. Gateways and workers may be running.
 *
 * @throws Misconfigured `backup-unusable` when the target is there or it is no database of a gateway,
 *   `backup-tool-missing`, `backup-failed`
 */
export function writeServerBackup(
  url: string,
  out: string,
  env: Environment,
): Promise<BackupManifest> {
  return writeBackupFile(out, async (part) => {
    const tool = await findPostgresTool('pg_dump', env);
    return await withSharedView(url, async ({ snapshot, at, server, facts }) => {
      if (facts === null) throw unusable('DATABASE_URL names no database of a gateway');
      refuseOlderTool(tool, { major: server.major, because: `the server is ${server.version}` });
      await runPostgresTool(tool, {
        url,
        arguments: [
          '--format=custom',
          `--lock-wait-timeout=${LOCK_WAIT_MS}`,
          `--snapshot=${snapshot}`,
          `--file=${part}`,
        ],
        env,
        code: 'backup-failed',
      });
      const postgresql = { server: server.version, pgDump: tool.version };
      return { facts, madeAt: at, postgresql };
    });
  });
}

export interface ServerRestored {
  readonly database: string;
  readonly instance: { readonly id: string; readonly epoch: number };
  readonly madeAt: string;
}

/**
 * Puts a backup into an empty PostgreSQL database and has every process that starts on it begin another life.
 * Owners and grants are not taken over: everything belongs to the user of the address.
 *
 * @throws Misconfigured `restore-not-empty`, `backup-unusable`, `backup-tool-missing`, `restore-failed`
 */
export async function restoreServerBackup(
  backup: string,
  url: string,
  env: Environment,
): Promise<ServerRestored> {
  const file = resolve(backup);
  const manifest = manifestOf(file);
  const made = manifest.postgresql;
  if (made === null) throw unusable(`${file} is of a SQLite data folder`);
  await refuseChanged(file, manifest);
  const tool = await findPostgresTool('pg_restore', env);
  refuseOlderTool(tool, {
    major: majorOf(made.pgDump),
    because: `the backup was made by pg_dump ${made.pgDump}`,
  });
  const fill = async (server: PostgresServer) => {
    if (server.major < majorOf(made.server)) {
      throw unusable(`it is of PostgreSQL ${made.server}, this server is ${server.version}`);
    }
    await runPostgresTool(tool, {
      url,
      arguments: ['--exit-on-error', '--single-transaction', '--no-owner', '--no-privileges', file],
      env,
      code: 'restore-failed',
    });
  };
  const { id, epoch } = await fillEmptyDatabase(url, {
    fill,
    mark: (trx, now) => markRestored(trx, manifest.madeAt, now),
  });
  const database = decodeURIComponent(new URL(url).pathname.slice(1));
  return { database, instance: { id, epoch }, madeAt: manifest.madeAt };
}

function majorOf(version: string): number {
  return Number.parseInt(version, 10);
}
