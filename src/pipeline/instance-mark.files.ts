import { mkdirSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { uuidv7 } from 'uuidv7';
import type { InstanceMark } from './recognise-copy.js';

const NAME = 'instance.json';

/** null when there is none, or none that can be read: then nothing is known of a later state. */
export function readMark(dataDirectory: string): InstanceMark | null {
  try {
    const read: unknown = JSON.parse(readFileSync(join(dataDirectory, NAME), 'utf8'));
    if (typeof read !== 'object' || read === null) return null;
    const { instance, epoch, tick } = read as Record<string, unknown>;
    return typeof instance === 'string' && Number.isInteger(epoch) && Number.isInteger(tick)
      ? { instance, epoch: epoch as number, tick: tick as number }
      : null;
  } catch {
    // Missing or half a file from a crash.
    return null;
  }
}

/**
 * Written after the commit it speaks of, so that it never knows of a state that was lost. A later state stays: a database
 * that fell behind it was put back, which the next start has to find.
 */
export function writeMark(dataDirectory: string, mark: InstanceMark): void {
  const kept = readMark(dataDirectory);
  if (kept !== null && kept.instance === mark.instance && !isLater(mark, kept)) return;
  const path = join(dataDirectory, NAME);
  mkdirSync(dataDirectory, { recursive: true, mode: 0o700 });
  // A name of its own: several processes of one database may share a data folder, and each writes every two seconds.
  const making = `${path}.${uuidv7()}.tmp`;
  try {
    writeFileSync(making, JSON.stringify(mark), { mode: 0o600 });
    renameSync(making, path);
  } catch (error) {
    rmSync(making, { force: true });
    throw error;
  }
}

function isLater(one: InstanceMark, other: InstanceMark): boolean {
  return one.epoch > other.epoch || (one.epoch === other.epoch && one.tick > other.tick);
}
