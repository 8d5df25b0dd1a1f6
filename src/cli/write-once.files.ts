import { randomUUID } from 'node:crypto';
import { link, open, readFile, rename, rm } from 'node:fs/promises';
import { join } from 'node:path';
import { NO_LINKS } from '../storage/no-hard-links.js';

export type WriteOutcome = 'written' | 'unchanged' | 'differs';

/**
 * Writes a file that appears whole or not at all: a temporary file beside it, flushed, then linked to its
 * name. A file that is already there is never replaced unless `overwrite` says so: `unchanged` when it
 * holds the same bytes, `differs` when not.
 */
export async function writeOnce(
  directory: string,
  name: string,
  content: string | Uint8Array,
  options: { readonly overwrite: boolean },
): Promise<WriteOutcome> {
  const target = join(directory, name);
  const bytes = typeof content === 'string' ? Buffer.from(content, 'utf8') : Buffer.from(content);
  const held = await readIfThere(target);
  if (held?.equals(bytes)) return 'unchanged';
  if (held !== null && !options.overwrite) return 'differs';
  const temporary = join(directory, `.${name.slice(0, 100)}.${randomUUID()}.part`);
  try {
    await writeFlushed(temporary, bytes);
    if (options.overwrite) await rename(temporary, target);
    else await linkOrRename(temporary, target);
    return 'written';
  } catch (error) {
    if (codeOf(error) !== 'EEXIST') throw error;
    // Somebody else wrote the name since it was looked at.
    return (await readFile(target)).equals(bytes) ? 'unchanged' : 'differs';
  } finally {
    await rm(temporary, { force: true });
  }
}

async function linkOrRename(temporary: string, target: string): Promise<void> {
  try {
    await link(temporary, target);
  } catch (error) {
    if (!NO_LINKS.has(codeOf(error))) throw error;
    await rename(temporary, target);
  }
}

async function writeFlushed(path: string, bytes: Buffer): Promise<void> {
  const file = await open(path, 'wx');
  try {
    await file.writeFile(bytes);
    await file.sync();
  } finally {
    await file.close();
  }
}

async function readIfThere(path: string): Promise<Buffer | null> {
  try {
    return await readFile(path);
  } catch (error) {
    if (codeOf(error) === 'ENOENT') return null;
    throw error;
  }
}

function codeOf(error: unknown): string {
  return (error as NodeJS.ErrnoException).code ?? '';
}
