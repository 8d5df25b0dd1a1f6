import { randomUUID } from 'node:crypto';
import {
  closeSync,
  fsyncSync,
  linkSync,
  openSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { join } from 'node:path';
import { parseStrictJson } from '../formats/strict-json.js';
import { NO_LINKS } from '../storage/no-hard-links.js';
import { checkpointText, readCheckpoint, type SignedCheckpoint } from './checkpoint.js';
import type { Comparing } from './verification.service.js';

const SUFFIX = '.checkpoint.json';
const BYTES_MAX = 100_000;
const DIGITS = 12;

/** Named by site, life of the database and size, so that a folder sorts as the trail grew. */
export function checkpointFileName({ checkpoint }: SignedCheckpoint): string {
  const { site, epoch, size } = checkpoint;
  const number = String(size).padStart(DIGITS, '0');
  return `${encodeURIComponent(site)}.${epoch}.${number}${SUFFIX}`;
}

/**
 * Writes a checkpoint to its own new file, which takes its name when it is whole and flushed. A file that is there is
 * never touched: `differs` when it says something else, which means that the trail was rewritten or the folder is
 * another database's; `unfinished` when it is only the beginning of this checkpoint, or cannot be read.
 *
 * @throws what the file system says of the folder
 */
export function writeCheckpointFile(
  folder: string,
  signed: SignedCheckpoint,
): 'written' | 'there' | 'differs' | 'unfinished' {
  const name = checkpointFileName(signed);
  const path = join(folder, name);
  const text = checkpointText(signed);
  const held = heldAt(path, text);
  if (held !== null) return held;
  const part = join(folder, `.${name}.${randomUUID()}.tmp`);
  try {
    writeNew(part, text);
    nameOnce(part, path, text);
  } catch (error) {
    if (codeOf(error) !== 'EEXIST') throw error;
    // Another process of this trail was as fast.
    return heldAt(path, text) ?? 'unfinished';
  } finally {
    removeIfItMay(part);
  }
  flushFolder(folder);
  return 'written';
}

/** What lies under the name of a checkpoint; null when nothing does. */
function heldAt(path: string, text: string): 'there' | 'differs' | 'unfinished' | null {
  let held: string;
  try {
    held = readFileSync(path, 'utf8');
  } catch (error) {
    return codeOf(error) === 'ENOENT' ? null : 'unfinished';
  }
  if (held === text) return 'there';
  return text.startsWith(held) ? 'unfinished' : 'differs';
}

/** A second name is never given over a file that has it. Without hard links the file is written under it at once. */
function nameOnce(part: string, path: string, text: string): void {
  try {
    linkSync(part, path);
  } catch (error) {
    if (!NO_LINKS.has(codeOf(error))) throw error;
    writeNew(path, text);
  }
}

function writeNew(path: string, text: string): void {
  const file = openSync(path, 'wx', 0o444);
  try {
    writeFileSync(file, text);
    fsyncSync(file);
  } finally {
    closeSync(file);
  }
}

function removeIfItMay(path: string): void {
  try {
    rmSync(path, { force: true });
  } catch {
    // A medium that keeps whatever is written there keeps this too; its name is that of no checkpoint.
  }
}

function codeOf(error: unknown): string {
  return (error as NodeJS.ErrnoException).code ?? '';
}

/** The name of a new file counts once its folder is flushed. */
function flushFolder(folder: string): void {
  const handle = openSync(folder, 'r');
  try {
    fsyncSync(handle);
  } finally {
    closeSync(handle);
  }
}

export interface CheckpointFolder {
  /** By size. */
  readonly checkpoints: readonly SignedCheckpoint[];
  /** Files of the folder's form that hold no checkpoint. */
  readonly unreadable: readonly string[];
}

/** Every checkpoint of a folder, and what bears the name of one and is none. */
export function readCheckpointFolder(folder: string): CheckpointFolder {
  const checkpoints: SignedCheckpoint[] = [];
  const unreadable: string[] = [];
  for (const name of readdirSync(folder).sort()) {
    if (!name.endsWith(SUFFIX)) continue;
    const signed = readCheckpointFile(join(folder, name));
    if (signed === null || checkpointFileName(signed) !== name) unreadable.push(name);
    else checkpoints.push(signed);
  }
  checkpoints.sort((a, b) => a.checkpoint.size - b.checkpoint.size);
  return { checkpoints, unreadable };
}

/** Nobody restores a database so often; a number above it was made up. */
const LIVES_MAX = 1_000_000;

/**
 * The latest life of a database of a site that a folder has checkpoints of. Two restores of one backup know nothing of each
 * other, and would give their lives one number. 0 when there are none, or the folder cannot be read.
 */
export function latestLifeOutside(folder: string | null, site: string): number {
  if (folder === null) return 0;
  const start = `${encodeURIComponent(site)}.`;
  try {
    const lives = readdirSync(folder)
      .filter((name) => name.startsWith(start))
      .map((name) => Number(/^(\d+)\.\d+\.checkpoint\.json$/.exec(name.slice(start.length))?.[1]));
    return lives.reduce((latest, life) => (life > latest && life < LIVES_MAX ? life : latest), 0);
  } catch {
    // Away or none of ours: the outlet says so when it writes.
    return 0;
  }
}

/** What a gateway that reviews its own trail compares it with; a folder that cannot be read is a fault to show. */
export function comparingWith(folder: string | null): Comparing {
  if (folder === null) return { keys: [], outside: [] };
  try {
    const { checkpoints, unreadable } = readCheckpointFolder(folder);
    return { keys: [], outside: checkpoints, unreadable };
  } catch (error) {
    const why = error instanceof Error && 'code' in error ? String(error.code) : 'unreadable';
    return { keys: [], outside: [], unreadable: [`the folder itself (${why})`] };
  }
}

function readCheckpointFile(path: string): SignedCheckpoint | null {
  if (statSync(path).size > BYTES_MAX) return null;
  const parsed = parseStrictJson(readFileSync(path), { bytesMax: BYTES_MAX, depthMax: 8 });
  return parsed.ok ? readCheckpoint(parsed.value) : null;
}
