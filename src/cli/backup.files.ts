import { existsSync, mkdirSync, readdirSync, renameSync, rmdirSync, rmSync } from 'node:fs';
import { copyFile } from 'node:fs/promises';
import { dirname, join, resolve } from 'node:path';
import { uuidv7 } from 'uuidv7';
import { Misconfigured } from '../errors.js';
import { databaseFile, openDatabase } from '../storage/database.js';
import { copyConsistently, fileFacts, integrityFaults } from '../storage/sqlite-copy.js';
import {
  flush,
  manifestOf,
  refuseChanged,
  unusable,
  writeBackupFile,
} from './backup-file.files.js';
import type { BackupManifest } from './backup-manifest.js';
import { markRestored } from './restored.store.js';

/**
 * Writes a consistent copy of the database of a data folder and its manifest, both whole or not at all. The
 * gateway that owns the folder may be running.
 *
 * @throws Misconfigured `backup-unusable` when there is no sound database to copy, or the target is there
 */
export function writeBackup(dataDirectory: string, out: string): Promise<BackupManifest> {
  const source = databaseFile(dataDirectory);
  return writeBackupFile(out, async (part) => {
    if (!existsSync(source)) throw unusable(`there is no database in ${dataDirectory}`);
    const madeAt = new Date().toISOString();
    copyConsistently(source, part);
    const facts = fileFacts(part);
    const faults = integrityFaults(part);
    if (facts === null || faults.length > 0) {
      throw unusable(`${source}: ${faults[0] ?? 'it is no database of a gateway'}`);
    }
    return { facts, madeAt, postgresql: null };
  });
}

export interface Restored {
  readonly data: string;
  readonly instance: { readonly id: string; readonly epoch: number };
  readonly madeAt: string;
}

/**
 * Makes a data folder out of a backup. Everything happens in a folder beside it that takes its name at the end,
 * so that a restore that is killed leaves nothing there.
 *
 * @throws Misconfigured `restore-not-empty`, `backup-unusable`, or what opening its database says
 */
export async function restoreBackup(backup: string, data: string): Promise<Restored> {
  const file = resolve(backup);
  const target = resolve(data);
  if (existsSync(target) && readdirSync(target).length > 0) {
    throw new Misconfigured('restore-not-empty', { found: target });
  }
  const manifest = manifestOf(file);
  if (manifest.postgresql !== null) throw unusable(`${file} is of a PostgreSQL database`);
  const beside = `${target}.restoring`;
  clearAway(beside);
  // Its own within: a restore that begins meanwhile clears it away, and what that one makes is never taken for this one's.
  const making = join(beside, uuidv7());
  mkdirSync(making, { recursive: true, mode: 0o700 });
  try {
    const copy = databaseFile(making);
    await copyFile(file, copy);
    await refuseChanged(copy, manifest);
    const faults = integrityFaults(copy);
    const facts = fileFacts(copy);
    if (faults.length > 0 || facts === null) {
      throw unusable(`${file}: ${faults[0] ?? 'it is no database of a gateway'}`);
    }
    await markIt(making, manifest.madeAt);
    for (const name of readdirSync(making)) flush(join(making, name));
    flush(making);
    // An empty folder of that name gives way; one that was filled meanwhile does not.
    renameSync(making, target);
    flush(dirname(target));
    return { data: target, instance: facts.instance, madeAt: manifest.madeAt };
  } catch (error) {
    if (existsSync(making)) throw error;
    throw new Misconfigured('restore-not-empty', {
      found: `${target}: another restore into it began meanwhile, and this one gave way`,
    });
  } finally {
    rmSync(making, { recursive: true, force: true });
    removeIfEmpty(beside);
  }
}

/** At once, so that whoever still writes there finds all of it gone and not a part. */
function clearAway(folder: string): void {
  if (!existsSync(folder)) return;
  const away = `${folder}.${uuidv7()}`;
  renameSync(folder, away);
  rmSync(away, { recursive: true, force: true });
}

/** Another restore may be at work there. */
function removeIfEmpty(folder: string): void {
  if (existsSync(folder) && readdirSync(folder).length === 0) rmdirSync(folder);
}

/** Migrates the copy and has its next start begin another life. */
async function markIt(directory: string, madeAt: string): Promise<void> {
  const database = await openDatabase(directory);
  try {
    await database.transact((trx) => markRestored(trx, madeAt, database.clock.now()));
  } finally {
    await database.close();
  }
}
