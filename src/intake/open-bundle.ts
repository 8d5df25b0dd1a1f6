import {
  isZip,
  type ZipEntries,
  type ZipEntry,
  type ZipFault,
  type ZipRule,
  zipLimits,
} from '../formats/zip.js';
import { readZipEntry, readZipEntryAside, type ZipContent } from '../formats/zip-content.js';
import { readZip } from '../formats/zip-reader.js';
import type { UnreadableBundle } from './envelope.js';
import { BUNDLE_DOCUMENT } from './result-bundle.js';

/** The document of a bundle, whichever way it came. */
export type OpenedBundle =
  | {
      readonly ok: true;
      /** Bytes of the JSON document, not read yet. */
      readonly document: Uint8Array;
      /** Entries of the archive, the document among them; null when the bytes are the document. */
      readonly files: ZipEntries | null;
    }
  | { readonly ok: false; readonly fault: UnreadableBundle };

/** What to do about bytes that are refused as an archive. */
export const ZIP_ADVICE: Readonly<Record<ZipRule, string>> = {
  structure:
    'Write the archive anew, in one piece and without comment, zip64 and self-extractor; keep the refused bytes.',
  limit:
    'Split the bundle at the source, or have limits.bundleBytesMax raised in the site folder and the bundle packed anew; if nobody at the source knows of it, treat it as an attack.',
  name: 'Give the entry a plain relative name of its own; if nobody at the source knows of it, treat it as an attack.',
  kind: 'Put plain files into the archive, stored or deflated, without password and without links.',
  content: 'Fetch the bundle from its source again; keep the refused bytes.',
};

/**
 * Finds the document in the bytes: the bytes themselves, or `bundle.json` of a zip archive. What they are is told
 * by how they begin, not by what a sender calls them. Of an archive only the document is inflated.
 */
export function openBundle(bytes: Uint8Array, bytesMax: number): OpenedBundle {
  const found = findDocument(bytes, bytesMax);
  return 'entry' in found ? documentOf(found, readZipEntry(found.entry)) : found;
}

/** The same, with the document inflated outside the thread that asks. */
export async function openBundleAside(bytes: Uint8Array, bytesMax: number): Promise<OpenedBundle> {
  const found = findDocument(bytes, bytesMax);
  return 'entry' in found ? documentOf(found, await readZipEntryAside(found.entry)) : found;
}

/** Bytes that the document of an archive states it has; 0 where there is none, and for bytes that are the document. */
export function documentSize(bytes: Uint8Array, bytesMax: number): number {
  const found = findDocument(bytes, bytesMax);
  return 'entry' in found ? found.entry.size : 0;
}

interface FoundDocument {
  readonly entry: ZipEntry;
  readonly files: ZipEntries;
}

function findDocument(bytes: Uint8Array, bytesMax: number): FoundDocument | OpenedBundle {
  if (!isZip(bytes)) return { ok: true, document: bytes, files: null };
  if (bytes.length > bytesMax) {
    const message = `expected at most ${bytesMax} bytes, found ${bytes.length}`;
    return refused({ rule: 'limit', entry: null, message });
  }
  const read = readZip(bytes, zipLimits(bytesMax));
  if (!read.ok) return refused(read.fault);
  const entry = read.entries.get(BUNDLE_DOCUMENT);
  if (entry !== undefined) return { entry, files: read.entries };
  const message = `expected an entry ${BUNDLE_DOCUMENT}, found none`;
  return refused({ rule: 'content', entry: null, message });
}

function documentOf({ files }: FoundDocument, content: ZipContent): OpenedBundle {
  return content.ok ? { ok: true, document: content.bytes, files } : refused(content.fault);
}

function refused({ rule, entry, message }: ZipFault): OpenedBundle {
  const told = entry === null ? message : `entry ${entry}: ${message}`;
  const fault = { code: `zip-${rule}`, pointer: '', message: told, advice: ZIP_ADVICE[rule] };
  return { ok: false, fault };
}
