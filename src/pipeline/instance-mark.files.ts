import {
  type BigIntStats,
  chmodSync,
  closeSync,
  fstatSync,
  mkdirSync,
  openSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  writeSync,
} from 'node:fs';
import { join } from 'node:path';
import { uuidv7 } from 'uuidv7';
import type { InstanceMark, RememberedMark } from './recognise-copy.js';

const NAME = 'instance.json';
const MODE = 0o600;

/** null when there is none, or none that can be read: then nothing is known of a later state. */
export function readMark(dataDirectory: string): RememberedMark | null {
  const path = join(dataDirectory, NAME);
  try {
    const read: unknown = JSON.parse(readFileSync(path, 'utf8'));
    if (typeof read !== 'object' || read === null) return null;
    const { instance, epoch, tick, bornMs } = read as Record<string, unknown>;
    if (typeof instance !== 'string' || !Number.isInteger(epoch) || !Number.isInteger(tick)) {
      return null;
    }
    const isCopied = typeof bornMs === 'number' && isOtherFile(path, bornMs);
    return { instance, epoch: epoch as number, tick: tick as number, isCopied };
  } catch {
    // Missing or half a file from a crash.
    return null;
  }
}

/**
 * Written after the commit it speaks of, so that it never knows of a state that was lost. A later state stays: a database
 * that fell behind it was put back, which the next start has to find.
 */
export function writeMark(dataDirectory: string, { instance, epoch, tick }: InstanceMark): void {
  const kept = readMark(dataDirectory);
  const mark = { instance, epoch, tick };
  if (kept !== null && kept.instance === instance && !isLater(mark, kept)) return;
  const path = join(dataDirectory, NAME);
  mkdirSync(dataDirectory, { recursive: true, mode: 0o700 });
  const bornMs = replace(path, (born) => JSON.stringify({ ...mark, bornMs: born }));
  // What is not the same behind its name is none: a file system may give it, or carry the one of the file before over.
  if (bornMs !== null && bornMs !== millisecondsOf(factsOf(path))) {
    replace(path, () => JSON.stringify(mark));
  }
}

function isLater(one: InstanceMark, other: InstanceMark): boolean {
  return one.epoch > other.epoch || (one.epoch === other.epoch && one.tick > other.tick);
}

/** Puts a new file in the place of one, whole or not at all; returns when it was made, as far as its file system says. */
function replace(path: string, textOf: (bornMs: number | null) => string): number | null {
  // A name of its own: several processes of one database may share a data folder, and each writes every two seconds.
  const making = `${path}.${uuidv7()}.tmp`;
  try {
    const file = openSync(making, 'wx', MODE);
    let bornMs: number | null;
    try {
      bornMs = millisecondsOf(fstatSync(file, { bigint: true }));
      writeSync(file, textOf(bornMs));
    } finally {
      closeSync(file);
    }
    renameSync(making, path);
    return bornMs;
  } catch (error) {
    rmSync(making, { force: true });
    throw error;
  }
}

/**
 * Whether a file is another than the one that its content was written into: a copy of that, or one that was written over
 * with another's content. Each mark is a new file, so this is seen of every one but the last that was written there.
 *
 * @param bornMs when the file of that content was made
 */
function isOtherFile(path: string, bornMs: number): boolean {
  const now = factsOf(path);
  const found = millisecondsOf(now);
  if (found === null || found === bornMs) return false;
  return now.birthtimeNs !== now.ctimeNs || keepsBirth(path, now);
}

/** Where nothing says when a file was made, Node shows when it was changed last: what changes nothing of it tells the two apart. */
function keepsBirth(path: string, before: BigIntStats): boolean {
  try {
    chmodSync(path, MODE);
  } catch {
    // Of somebody else: it cannot be told, and a memory that is there is worth more than this.
    return false;
  }
  const after = factsOf(path);
  return after.ctimeNs !== before.ctimeNs && after.birthtimeNs === before.birthtimeNs;
}

function factsOf(path: string): BigIntStats {
  return statSync(path, { bigint: true });
}

/** Coarser than any file system keeps it: one that was read anew may show fewer digits. Null where it is not known. */
function millisecondsOf({ birthtimeNs }: BigIntStats): number | null {
  return birthtimeNs <= 0n ? null : Number(birthtimeNs / 1_000_000n);
}
