import {
  closeSync,
  fsyncSync,
  openSync,
  readdirSync,
  readFileSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { join } from 'node:path';
import { parseStrictJson } from '../formats/strict-json.js';
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
 * Writes a checkpoint to its own new file and flushes it. A file that is there is never touched: `differs` when it
 * says something else, which means that the trail was rewritten or the folder is another database's.
 */
export function writeCheckpointFile(
  folder: string,
  signed: SignedCheckpoint,
): 'written' | 'there' | 'differs' {
  const path = join(folder, checkpointFileName(signed));
  const text = checkpointText(signed);
  let file: number;
  try {
    file = openSync(path, 'wx', 0o444);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
    const held = readFileSync(path, 'utf8');
    // A process that died while it wrote left the beginning; the rest is added, nothing is replaced.
    return held === text ? 'there' : completed(path, held, text);
  }
  try {
    writeFileSync(file, text);
    fsyncSync(file);
  } finally {
    closeSync(file);
  }
  flushFolder(folder);
  return 'written';
}

function completed(path: string, held: string, text: string): 'written' | 'differs' {
  if (!text.startsWith(held)) return 'differs';
  const file = openSync(path, 'a');
  try {
    writeFileSync(file, text.slice(held.length));
    fsyncSync(file);
  } finally {
    closeSync(file);
  }
  return 'written';
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
