import { lstat, readdir, readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { inReadingOrder, type SiteFault } from './site-fault.js';

/** The files of a site folder as they lie on disk, by name relative to it, with `/` between folders. */
export interface FolderFiles {
  readonly bytes: ReadonlyMap<string, Uint8Array>;
  /** The same as text; files that are not UTF-8 are missing here and among the faults. */
  readonly texts: Readonly<Record<string, string>>;
  readonly faults: readonly SiteFault[];
}

const FILES_MAX = 500;
const FILE_BYTES_MAX = 2_097_152;
const FOLDER_BYTES_MAX = 33_554_432;
const DEPTH_MAX = 4;
const ACCEPTED = /\.(?:yaml|csv|json|md)$/;

/**
 * Reads a whole site folder into memory. Hidden files are left alone; links, files of another kind, files
 * past 2 MiB, a folder past 32 MiB, 500 files or four levels are faults. Fails only when the folder itself
 * cannot be read.
 */
export async function readFolderFiles(directory: string): Promise<FolderFiles> {
  const bytes = new Map<string, Uint8Array>();
  const texts: Record<string, string> = Object.create(null) as Record<string, string>;
  const faults: SiteFault[] = [];
  const fault = (file: string, message: string, remedy: string) =>
    faults.push({ file, line: 1, column: 1, rule: 'folder-file', message, remedy });
  let total = 0;
  for (const name of await listFiles(directory, '', 1, fault)) {
    if (bytes.size >= FILES_MAX) {
      fault(
        name,
        `the folder holds more than ${FILES_MAX} files`,
        'Keep only what the site needs.',
      );
      break;
    }
    const content = await readBounded(join(directory, name));
    if (content === null || total + content.byteLength > FOLDER_BYTES_MAX) {
      fault(
        name,
        `larger than ${FILE_BYTES_MAX} bytes, or the folder larger than ${FOLDER_BYTES_MAX}`,
        'Make it smaller.',
      );
      continue;
    }
    total += content.byteLength;
    bytes.set(name, content);
    const text = decode(content);
    if (text === null) fault(name, 'the file is not UTF-8 text', 'Save it as UTF-8.');
    else texts[name] = text;
  }
  return { bytes, texts, faults: inReadingOrder(faults) };
}

async function listFiles(
  root: string,
  folder: string,
  depth: number,
  fault: (file: string, message: string, remedy: string) => void,
): Promise<string[]> {
  const entries = await readdir(join(root, folder), { withFileTypes: true });
  const found: string[] = [];
  for (const entry of entries.sort((a, b) => (a.name < b.name ? -1 : 1))) {
    if (entry.name.startsWith('.')) continue;
    const name = folder === '' ? entry.name : `${folder}/${entry.name}`;
    if (entry.isDirectory()) {
      if (depth >= DEPTH_MAX) fault(name, `deeper than ${DEPTH_MAX} levels`, 'Move it up.');
      else found.push(...(await listFiles(root, name, depth + 1, fault)));
    } else if (!entry.isFile()) {
      fault(
        name,
        'neither a file nor a folder; links are not followed',
        'Put the file itself here.',
      );
    } else if (!ACCEPTED.test(name)) {
      fault(name, 'the site folder holds .yaml, .csv, .json and .md files only', 'Remove it.');
    } else {
      found.push(name);
    }
  }
  return found;
}

/** Null when the file is too large to be a part of a site folder. */
async function readBounded(path: string): Promise<Uint8Array | null> {
  const { size } = await lstat(path);
  if (size > FILE_BYTES_MAX) return null;
  const content = await readFile(path);
  return content.byteLength > FILE_BYTES_MAX ? null : content;
}

function decode(content: Uint8Array): string | null {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(content);
  } catch {
    // Not UTF-8: reported by the caller with the file's name.
    return null;
  }
}
