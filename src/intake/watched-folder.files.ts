import { createHash } from 'node:crypto';
import { constants, type Stats } from 'node:fs';
import { link, lstat, mkdir, open, readdir, rename, unlink, writeFile } from 'node:fs/promises';
import { join } from 'node:path';

/** Where files of a watched folder end up. Nothing is ever deleted or overwritten. */
export type Shelf = 'taken' | 'held' | 'refused';
const SHELVES: readonly Shelf[] = ['taken', 'held', 'refused'];

export interface WaitingFile {
  readonly name: string;
  readonly size: number;
  readonly modifiedMs: number;
  /** Tells a file that was put in the place of another from that other one. */
  readonly inode: number;
}

export async function prepareWatchedFolder(directory: string): Promise<void> {
  for (const shelf of SHELVES) await mkdir(join(directory, shelf), { recursive: true });
}

/** Plain files waiting in the folder, by name. Links, folders and names still being written are left alone. */
export async function listWaitingFiles(
  directory: string,
  filesMax: number,
): Promise<WaitingFile[]> {
  // Folders and links stay for good: counted among the files of a round they could leave no place for one.
  const plain = (await readdir(directory, { withFileTypes: true })).filter((e) => e.isFile());
  const names = plain.map(({ name }) => name).filter(isFinishedName);
  const files: WaitingFile[] = [];
  for (const name of names.sort().slice(0, filesMax)) {
    const stat = await lstat(join(directory, name)).catch(ignoreMissing);
    if (stat?.isFile()) files.push(waitingFile(name, stat));
  }
  return files;
}

function waitingFile(name: string, stat: Stats): WaitingFile {
  return { name, size: stat.size, modifiedMs: stat.mtimeMs, inode: stat.ino };
}

/** True when both stand for the same content of the same file. */
export function isSameFile(a: WaitingFile, b: WaitingFile): boolean {
  return a.inode === b.inode && a.size === b.size && a.modifiedMs === b.modifiedMs;
}

/**
 * A leading dot or an ending `.part` or `.tmp` says that the writer has not finished. Findings that were put
 * back with their file, and what a file browser leaves behind, are no bundles: taken for unreadable ones they
 * would put every receipt in doubt.
 */
function isFinishedName(name: string): boolean {
  return (
    !name.startsWith('.') &&
    !/\.(part|tmp|findings\.json)$/i.test(name) &&
    !/^(thumbs\.db|desktop\.ini)$/i.test(name)
  );
}

/** Reads through one handle that refuses links; `changed` when it is not the file that was waiting. */
export async function readWaitingFile(
  directory: string,
  file: WaitingFile,
  bytesMax: number,
): Promise<Buffer | 'too-large' | 'changed'> {
  const path = join(directory, file.name);
  const handle = await open(path, constants.O_RDONLY | constants.O_NOFOLLOW).catch(ignoreMissing);
  if (!handle) return 'changed';
  try {
    if (file.size > bytesMax) return 'too-large';
    const bytes = await handle.readFile();
    const read = waitingFile(file.name, await handle.stat());
    return isSameFile(read, file) && bytes.length === file.size ? bytes : 'changed';
  } finally {
    await handle.close();
  }
}

/**
 * Moves a file to its shelf and writes the findings beside it; a crash in between leaves the file where it
 * will be looked at again. Returns the name it stands under, null when another file stands in its place by
 * now, which then stays to be taken itself.
 */
export async function shelve(
  directory: string,
  file: WaitingFile,
  shelf: Shelf,
  findings: unknown,
): Promise<string | null> {
  const from = join(directory, file.name);
  const shelfDirectory = join(directory, shelf);
  for (let copy = 0; ; copy += 1) {
    const target = shelfName(file.name, copy);
    const path = join(shelfDirectory, target);
    const linked = await tryLink(from, path);
    if (linked === 'occupied') continue;
    if (linked === 'no-links') {
      if (await lstat(path).catch(ignoreMissing)) continue;
      if (!(await stillStands(from, file))) return null;
      await writeFindings(shelfDirectory, target, findings);
      // Nobody else puts files on the shelves: the name that was free is free.
      await rename(from, path);
      return target;
    }
    if (!(await stillStands(path, file))) {
      await unlink(path);
      return null;
    }
    await writeFindings(shelfDirectory, target, findings);
    const left = await lstat(from).catch(ignoreMissing);
    if (left?.ino === file.inode) await unlink(from);
    return target;
  }
}

async function stillStands(path: string, file: WaitingFile): Promise<boolean> {
  const stat = await lstat(path).catch(ignoreMissing);
  return stat !== undefined && isSameFile(waitingFile(file.name, stat), file);
}

/** Longest name, in bytes, that leaves room for what is put behind it (255 on common file systems). */
const NAME_BYTES_MAX = 200;

/** A name too long to put anything behind is cut and told apart by its digest. */
function shelfName(name: string, copy: number): string {
  const digest = createHash('sha256').update(name).digest('hex').slice(0, 16);
  const short = Buffer.byteLength(name) <= NAME_BYTES_MAX ? name : `${name.slice(0, 40)}~${digest}`;
  return copy === 0 ? short : `${short}~${copy}`;
}

/** Codes by which a file system says that it gives this file no second name. */
export const NO_LINKS: ReadonlySet<string> = new Set([
  'EPERM',
  'ENOTSUP',
  'EOPNOTSUPP',
  'ENOSYS',
  'EMLINK',
]);

async function tryLink(from: string, to: string): Promise<'linked' | 'occupied' | 'no-links'> {
  try {
    await link(from, to);
    return 'linked';
  } catch (error) {
    const code = (error as NodeJS.ErrnoException).code ?? '';
    // Linux also says so of a file of another user that this one may not write (fs.protected_hardlinks).
    if (NO_LINKS.has(code)) return 'no-links';
    if (code !== 'EEXIST') throw error;
    // A crash between link and unlink left this very file here: the same inode is no collision.
    const [a, b] = await Promise.all([lstat(from), lstat(to)]);
    return a.ino === b.ino && a.dev === b.dev ? 'linked' : 'occupied';
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
