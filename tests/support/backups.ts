import { join } from 'node:path';
import { describe } from 'vitest';
import { restoreBackup, writeBackup } from '../../src/cli/backup.files.js';
import type { BackupManifest } from '../../src/cli/backup-manifest.js';
import { restoreServerBackup, writeServerBackup } from '../../src/cli/backup-server.files.js';
import type { DatabasePlace } from '../../src/storage/database.js';
import { describeWithPostgresTools } from './postgres-tools.js';
import { blankPlace, isPostgres, temporaryDirectory } from './temp-database.js';

/** Backups of whichever database this run is about. */

export const describeBackups: (name: string, define: () => void) => void = isPostgres
  ? describeWithPostgresTools
  : describe;

export function backUp(place: DatabasePlace, out: string): Promise<BackupManifest> {
  return place.databaseUrl === null
    ? writeBackup(place.dataDirectory, out)
    : writeServerBackup(place.databaseUrl, out, process.env);
}

/** Puts a backup back where nothing is: a new folder, or a new database; gone after the test. */
export async function putBack(backup: string): Promise<DatabasePlace> {
  if (!isPostgres) {
    const dataDirectory = join(temporaryDirectory(), 'data');
    await restoreBackup(backup, dataDirectory);
    return { dataDirectory, databaseUrl: null };
  }
  const place = await blankPlace();
  await restoreServerBackup(backup, place.databaseUrl ?? '', process.env);
  return place;
}
