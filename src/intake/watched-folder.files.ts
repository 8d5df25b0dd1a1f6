import { createHash, randomUUID } from 'node:crypto';
import { constants, type Stats } from 'node:fs';
import { link, lstat, mkdir, open, readdir, rename, unlink, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import type { Sha256 } from '../formats/canonical-json.js';
import { NO_LINKS } from '../storage/no-hard-links.js';

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

/**
 * Where a file lies between the folder and its shelf: nobody reaches it by its name any more, and it can be looked at
 * once more before it counts as shelved.
 */
const ON_ITS_WAY = '.moving';

/** A file on its shelf, with what it was when it was taken. */
export interface ShelvedFile {
  readonly shelf: Shelf;
  /** Its name on the shelf. */
  readonly name: string;
  /** As it was taken from the folder. */
  readonly file: WaitingFile;
  /** Digest of the bytes that were taken; null where they were not read. */
  readonly sha256: Sha256 | null;
  /** Time of its last change of any kind (`ctime`) when it was looked at last; null before that. */
  readonly changedMs: number | null;
  /** It was read after a second look at that time: nothing written in the same tick of the file system can hide. */
  readonly isSure: boolean;
}

/**
 * Makes the shelves. What a process that died had on its way goes back into the folder, where it is taken again: the
 * same bytes get the first receipt, and so their findings.
 */
export async function prepareWatchedFolder(directory: string): Promise<void> {
  for (const name of [...SHELVES, ON_ITS_WAY]) {
    await mkdir(join(directory, name), { recursive: true });
  }
  for (const name of await readdir(join(directory, ON_ITS_WAY))) {
    await giveBack(directory, join(directory, ON_ITS_WAY, name), name);
  }
}

/**
 * Plain files waiting in the folder, by name. Links, folders and names still being written are left alone.
 *
 * @param filesMax most files to look at
 * @param isExtra names that are looked at besides, and take no place from others
 */
export async function listWaitingFiles(
  directory: string,
  filesMax: number,
  isExtra: (name: string) => boolean = () => false,
): Promise<WaitingFile[]> {
  // Folders and links stay for good: counted among the files of a round they could leave no place for one.
  const plain = (await readdir(directory, { withFileTypes: true })).filter((e) => e.isFile());
  const names = plain.map(({ name }) => name).filter(isFinishedName);
  const files: WaitingFile[] = [];
  let places = filesMax;
  for (const name of names.sort()) {
    if (!isExtra(name)) {
      if (places === 0) continue;
      places -= 1;
    }
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
 * Moves a file to its shelf, with the findings beside it. It leaves its name by one step that nobody can come between,
 * and is then looked at: another one that was put under the name meanwhile goes back into the folder, to be taken
 * itself, and so does one that was written into. A crash on the way leaves it to the next start, see
 * `prepareWatchedFolder`.
 *
 * @param sha256 digest of the bytes that were taken; null where they were not read
 * @returns null when it was another file by then, or is one since
 */
export async function shelve(
  directory: string,
  { file, sha256 }: Pick<ShelvedFile, 'file' | 'sha256'>,
  shelf: Shelf,
  findings: unknown,
): Promise<ShelvedFile | null> {
  const from = join(directory, file.name);
  const way = join(directory, ON_ITS_WAY, file.name);
  if (!(await stillStands(from, file))) return null;
  // One that could neither be shelved nor given back then.
  if (await lstat(way).catch(ignoreMissing)) await giveBack(directory, way, file.name);
  if (!(await renamed(from, way))) return null;
  try {
    if (await stillStands(way, file)) {
      const name = await place(directory, way, file, shelf, findings);
      const shelved = { shelf, name, file, sha256, changedMs: null, isSure: false };
      const seen = await lookAgain(directory, shelved);
      return typeof seen === 'string' ? null : seen;
    }
  } catch (error) {
    await giveBack(directory, way, file.name);
    throw error;
  }
  await giveBack(directory, way, file.name);
  return null;
}

/**
 * Looks whether a shelved file is still what was taken. One that its writer went on writing goes back into the folder,
 * to be taken as what it is now; the findings of what it was stay on the shelf under a name that says so.
 *
 * @returns the file as it was seen; `gone` when somebody has taken it from the shelf
 */
export async function lookAgain(
  directory: string,
  shelved: ShelvedFile,
): Promise<ShelvedFile | 'gone' | 'given-back'> {
  const shelfDirectory = join(directory, shelved.shelf);
  const path = join(shelfDirectory, shelved.name);
  const stat = await lstat(path).catch(ignoreMissing);
  if (stat === undefined) return 'gone';
  const changedMs = stat.ctimeMs;
  const isSure = changedMs === shelved.changedMs;
  if (isSure && shelved.isSure) return shelved;
  if (await isAsTaken(path, stat, shelved)) return { ...shelved, changedMs, isSure };
  await keepFindingsApart(shelfDirectory, shelved.name);
  await giveBack(directory, path, shelved.file.name);
  return 'given-back';
}

/** By what it holds; where that was not read, by its size and time. */
async function isAsTaken(path: string, stat: Stats, { file, sha256 }: ShelvedFile) {
  if (stat.ino !== file.inode || stat.size !== file.size) return false;
  if (sha256 === null) return stat.mtimeMs === file.modifiedMs;
  const handle = await open(path, constants.O_RDONLY | constants.O_NOFOLLOW);
  try {
    const hash = createHash('sha256');
    for await (const chunk of handle.createReadStream({ autoClose: false })) {
      hash.update(chunk as Buffer);
    }
    return hash.digest('hex') === sha256;
  } finally {
    await handle.close();
  }
}

/** Puts a file on its shelf behind its findings, so that none ever lies there without. Returns its name there. */
async function place(
  directory: string,
  way: string,
  file: WaitingFile,
  shelf: Shelf,
  findings: unknown,
): Promise<string> {
  const shelfDirectory = join(directory, shelf);
  for (let copy = 0; ; copy += 1) {
    const name = shelfName(file.name, copy);
    const path = join(shelfDirectory, name);
    if (await lstat(path).catch(ignoreMissing)) continue;
    await writeFindings(shelfDirectory, name, findings);
    // Nobody else puts files on the shelves: the name that was free is free.
    await rename(way, path);
    return name;
  }
}

/**
 * Puts a file back into the folder, under its own name if that is free, else under one that nobody else can have
 * chosen: others put files there, and without hard links a move replaces what lies under its name.
 */
async function giveBack(directory: string, path: string, name: string): Promise<void> {
  try {
    await link(path, join(directory, name));
    await unlink(path);
  } catch (error) {
    const code = (error as NodeJS.ErrnoException).code ?? '';
    // Linux also refuses a link to a file of another user that this one may not write (fs.protected_hardlinks).
    if (code === 'ENOENT') return;
    if (code !== 'EEXIST' && !NO_LINKS.has(code)) throw error;
    await renamed(path, join(directory, `${shelfName(name, 0)}~${randomUUID()}`));
  }
}

async function keepFindingsApart(shelfDirectory: string, name: string): Promise<void> {
  const path = (words: string) => join(shelfDirectory, `${name}${words}.findings.json`);
  for (let copy = 0; ; copy += 1) {
    const apart = path(copy === 0 ? '.before-change' : `.before-change~${copy}`);
    if (await lstat(apart).catch(ignoreMissing)) continue;
    await renamed(path(''), apart);
    return;
  }
}

/** False when there is nothing under the name. */
async function renamed(from: string, to: string): Promise<boolean> {
  const missing = await rename(from, to).then(() => null, ignoreMissing);
  return missing === null;
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
