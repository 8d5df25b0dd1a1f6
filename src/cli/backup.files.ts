import { createHash } from 'node:crypto';
import {
  closeSync,
  createReadStream,
  existsSync,
  fsyncSync,
  mkdirSync,
  openSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { copyFile } from 'node:fs/promises';
import { basename, dirname, join, resolve } from 'node:path';
import { recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import { databaseFile, openDatabase } from '../storage/database.js';
import { copyConsistently, fileFacts, integrityFaults } from '../storage/sqlite-copy.js';
import {
  type BackupManifest,
  backupManifest,
  MANIFEST_SUFFIX,
  readManifest,
} from './backup-manifest.js';
import { markRestored } from './restored.store.js';

/**
 * Writes a consistent copy of the database of a data folder and its manifest, both whole or not at all. The
 * gateway that owns the folder may be running.
 *
 * @throws Misconfigured `backup-unusable` when there is no sound database to copy, or the target is there
 */
export async function writeBackup(dataDirectory: string, out: string): Promise<BackupManifest> {
  const source = databaseFile(dataDirectory);
  const target = resolve(out);
  if (!existsSync(source)) throw unusable(`there is no database in ${dataDirectory}`);
  for (const path of [target, `${target}${MANIFEST_SUFFIX}`]) {
    if (existsSync(path)) throw unusable(`${path} is there already and is not replaced`);
  }
  const part = `${target}.part`;
  rmSync(part, { force: true });
  const madeAt = new Date().toISOString();
  copyConsistently(source, part);
  flush(part);
  const facts = fileFacts(part);
  const faults = integrityFaults(part);
  if (facts === null || faults.length > 0) {
    rmSync(part, { force: true });
    throw unusable(`${source}: ${faults[0] ?? 'it is no database of a gateway'}`);
  }
  const file = { file: basename(target), bytes: statSync(part).size, sha256: await digestOf(part) };
  const manifest = backupManifest({ ...file, madeAt }, facts);
  renameSync(part, target);
  const beside = `${target}${MANIFEST_SUFFIX}`;
  writeFileSync(`${beside}.part`, `${JSON.stringify(manifest, null, 2)}\n`);
  flush(`${beside}.part`);
  // Last: a backup without its manifest is one that was not finished.
  renameSync(`${beside}.part`, beside);
  flush(dirname(target));
  return manifest;
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
  const manifest = existsSync(`${file}${MANIFEST_SUFFIX}`)
    ? readManifest(readFileSync(`${file}${MANIFEST_SUFFIX}`, 'utf8'))
    : null;
  if (!existsSync(file)) throw unusable(`there is no file ${file}`);
  if (manifest === null) throw unusable(`${file}${MANIFEST_SUFFIX} is missing or no manifest`);
  const making = `${target}.restoring`;
  rmSync(making, { recursive: true, force: true });
  mkdirSync(making, { recursive: true, mode: 0o700 });
  try {
    const copy = databaseFile(making);
    await copyFile(file, copy);
    const found = await digestOf(copy);
    if (found !== manifest.sha256) {
      throw unusable(`${file} has the digest ${found}, its manifest says ${manifest.sha256}`);
    }
    const faults = integrityFaults(copy);
    const facts = fileFacts(copy);
    if (faults.length > 0 || facts === null) {
      throw unusable(`${file}: ${faults[0] ?? 'it is no database of a gateway'}`);
    }
    await markIt(making, facts.site ?? '', manifest.madeAt);
    for (const name of readdirSync(making)) flush(join(making, name));
    flush(making);
    // An empty folder of that name gives way; one that was filled meanwhile does not.
    renameSync(making, target);
    flush(dirname(target));
    return { data: target, instance: facts.instance, madeAt: manifest.madeAt };
  } catch (error) {
    rmSync(making, { recursive: true, force: true });
    throw error;
  }
}

/** Migrates the copy and has its next start begin another life. */
async function markIt(directory: string, site: string, madeAt: string): Promise<void> {
  const database = await openDatabase(directory);
  try {
    await database.transact(async (trx) => {
      const row = await markRestored(trx);
      await recordAudit(trx, {
        site,
        zone: 'UTC',
        at: database.clock.now(),
        actor: { kind: 'cli', name: 'cli' },
        action: 'instance.restored',
        subjectKind: 'instance',
        subjectId: row.id,
        reason: `from the backup made at ${madeAt}`,
        before: { epoch: row.epoch },
        after: { recovering: 'restored' },
      });
    });
  } finally {
    await database.close();
  }
}

function unusable(found: string): Misconfigured {
  return new Misconfigured('backup-unusable', { found });
}

async function digestOf(path: string): Promise<string> {
  const hash = createHash('sha256');
  for await (const chunk of createReadStream(path)) hash.update(chunk as Buffer);
  return hash.digest('hex');
}

function flush(path: string): void {
  const fd = openSync(path, 'r');
  try {
    fsyncSync(fd);
  } finally {
    closeSync(fd);
  }
}
