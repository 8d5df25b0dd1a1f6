import { constants } from 'node:fs';
import { link, lstat, mkdir, open, readdir, rename, unlink, writeFile } from 'node:fs/promises';
import { join } from 'node:path';

/** Where files of a watched folder end up. Nothing is ever deleted or overwritten. */
export type Shelf = 'taken' | 'held' | 'refused';
const SHELVES: readonly Shelf[] = ['taken', 'held', 'refused'];

export interface WaitingFile {
  readonly name: string;
  readonly size: number;
  readonly modifiedMs: number;
}

export async function prepareWatchedFolder(directory: string): Promise<void> {
  for (const shelf of SHELVES) await mkdir(join(directory, shelf), { recursive: true });
}

/** Plain files waiting in the folder, by name. Links, folders and names still being written are left alone. */
export async function listWaitingFiles(
  directory: string,
  filesMax: number,
): Promise<WaitingFile[]> {
  const names = (await readdir(directory)).filter(isFinishedName).sort().slice(0, filesMax);
  const files: WaitingFile[] = [];
  for (const name of names) {
    const stat = await lstat(join(directory, name)).catch(ignoreMissing);
    if (stat?.isFile()) files.push({ name, size: stat.size, modifiedMs: stat.mtimeMs });
  }
  return files;
}

/** A leading dot or an ending `.part` or `.tmp` says that the writer has not finished. */
function isFinishedName(name: string): boolean {
  return !name.startsWith('.') && !/\.(part|tmp)$/i.test(name);
}

/** Reads through one handle that refuses links; null when the file is larger than the limit or gone. */
export async function readWaitingFile(
  directory: string,
  name: string,
  bytesMax: number,
): Promise<Buffer | 'too-large' | 'gone'> {
  const handle = await open(join(directory, name), constants.O_RDONLY | constants.O_NOFOLLOW).catch(
    ignoreMissing,
  );
  if (!handle) return 'gone';
  try {
    const { size } = await handle.stat();
    if (size > bytesMax) return 'too-large';
    return await handle.readFile();
  } finally {
    await handle.close();
  }
}

/**
 * Moves a file to its shelf and writes the findings beside it, findings first: a crash in between leaves
 * the file where it will be looked at again. Returns the name it stands under.
 */
export async function shelve(
  directory: string,
  name: string,
  shelf: Shelf,
  findings: unknown,
): Promise<string> {
  for (let copy = 0; ; copy += 1) {
    const target = copy === 0 ? name : `${name}~${copy}`;
    const path = join(directory, shelf, target);
    if (await tryLink(join(directory, name), path)) {
      await writeFindings(join(directory, shelf), target, findings);
      await unlink(join(directory, name));
      return target;
    }
  }
}

async function tryLink(from: string, to: string): Promise<boolean> {
  try {
    await link(from, to);
    return true;
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
    // A crash between link and unlink left this very file here: the same inode is no collision.
    const [a, b] = await Promise.all([lstat(from), lstat(to)]);
    return a.ino === b.ino && a.dev === b.dev;
  }
}

async function writeFindings(
  shelfDirectory: string,
  name: string,
  findings: unknown,
): Promise<void> {
  const path = join(shelfDirectory, `${name}.findings.json`);
  await writeFile(`${path}.tmp`, `${JSON.stringify(findings, null, 2)}\n`);
  await rename(`${path}.tmp`, path);
}

function ignoreMissing(error: NodeJS.ErrnoException): undefined {
  // ENOENT: another hand moved it meanwhile; ELOOP: it became a link, which is never followed.
  if (error.code === 'ENOENT' || error.code === 'ELOOP') return undefined;
  throw error;
}
