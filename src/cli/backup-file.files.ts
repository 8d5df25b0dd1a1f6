import { createHash } from 'node:crypto';
import {
  closeSync,
  createReadStream,
  existsSync,
  fstatSync,
  fsyncSync,
  openSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { basename, dirname, resolve } from 'node:path';
import { Misconfigured } from '../errors.js';
import type { CopyFacts } from '../storage/copy-facts.js';
import {
  type BackupManifest,
  backupManifest,
  MANIFEST_SUFFIX,
  type ManifestFacts,
  readManifest,
} from './backup-manifest.js';

/** What a copy that is being written says of the database. */
export interface CopyMade {
  readonly facts: CopyFacts;
  readonly madeAt: string;
  readonly postgresql: BackupManifest['postgresql'];
}

/**
 * Writes a backup and its manifest, both whole or not at all: `copy` fills an empty file beside it, which takes its name
 * when it is complete.
 *
 * @throws Misconfigured `backup-unusable` when one of the two is there already, or another is written to that name
 */
export async function writeBackupFile(
  out: string,
  copy: (part: string) => Promise<CopyMade>,
): Promise<BackupManifest> {
  const target = resolve(out);
  const beside = `${target}${MANIFEST_SUFFIX}`;
  const part = `${target}.part`;
  refuseReplacing(target, beside);
  rmSync(part, { force: true });
  // It holds everything: made here, so that nobody else may read it from its first byte on.
  const own = openSync(part, 'wx', 0o600);
  const halves: string[] = [];
  try {
    const { facts, madeAt, postgresql } = await copy(part);
    flush(part);
    const [bytes, sha256] = [statSync(part).size, await digestOf(part)];
    const file = { file: basename(target), bytes, sha256, madeAt, postgresql };
    const manifest = backupManifest(file, facts);
    // Whoever began later under the same name took the place of this file; what stands there now is not what was read.
    if (!isAt(part, own)) throw unusable(`another backup is being written to ${target}`);
    halves.push(`${beside}.part`);
    writeFileSync(`${beside}.part`, `${JSON.stringify(manifest, null, 2)}\n`);
    flush(`${beside}.part`);
    // A copy takes its time; somebody may have put something there meanwhile.
    refuseReplacing(target, beside);
    renameSync(part, target);
    halves.push(target);
    // Last: a backup without its manifest is one that was not finished.
    renameSync(`${beside}.part`, beside);
    halves.length = 0;
    flush(dirname(target));
    return manifest;
  } catch (error) {
    if (isAt(part, own)) halves.push(part);
    for (const half of halves) rmSync(half, { force: true });
    throw error;
  } finally {
    closeSync(own);
  }
}

/** True while a path leads to an open file. */
function isAt(path: string, file: number): boolean {
  const found = statSync(path, { bigint: true, throwIfNoEntry: false });
  return found?.ino === fstatSync(file, { bigint: true }).ino;
}

function refuseReplacing(...paths: readonly string[]): void {
  for (const path of paths) {
    if (existsSync(path)) throw unusable(`${path} is there already and is not replaced`);
  }
}

/**
 * Reads the manifest of a backup.
 *
 * @throws Misconfigured `backup-unusable` when one of the two is missing
 */
export function manifestOf(backup: string): ManifestFacts {
  const file = resolve(backup);
  const beside = `${file}${MANIFEST_SUFFIX}`;
  const manifest = existsSync(beside) ? readManifest(readFileSync(beside, 'utf8')) : null;
  if (!existsSync(file)) throw unusable(`there is no file ${file}`);
  if (manifest === null) throw unusable(`${beside} is missing or no manifest`);
  return manifest;
}

/** @throws Misconfigured `backup-unusable` when a file (a backup, or a copy of it) is not what its manifest says */
export async function refuseChanged(path: string, manifest: ManifestFacts): Promise<void> {
  const found = await digestOf(path);
  if (found === manifest.sha256) return;
  throw unusable(`${path} has the digest ${found}, its manifest says ${manifest.sha256}`);
}

export function unusable(found: string): Misconfigured {
  return new Misconfigured('backup-unusable', { found });
}

async function digestOf(path: string): Promise<string> {
  const hash = createHash('sha256');
  for await (const chunk of createReadStream(path)) hash.update(chunk as Buffer);
  return hash.digest('hex');
}

export function flush(path: string): void {
  const fd = openSync(path, 'r');
  try {
    fsyncSync(fd);
  } finally {
    closeSync(fd);
  }
}
