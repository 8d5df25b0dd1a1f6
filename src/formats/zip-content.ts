import { promisify } from 'node:util';
import { crc32, inflateRaw, inflateRawSync } from 'node:zlib';
import { shownName, type ZipEntry, type ZipFault } from './zip.js';

export type ZipContent =
  | { readonly ok: true; readonly bytes: Uint8Array }
  | { readonly ok: false; readonly fault: ZipFault };

/** The bytes of one entry. Inflating stops at the stated size, which the directory's limits bound. */
export function readZipEntry(entry: ZipEntry): ZipContent {
  if (entry.method === 'store') return compared(entry, entry.packed);
  try {
    return inflated(entry, inflateRawSync(entry.packed, optionsFor(entry)));
  } catch (error) {
    return notInflated(entry, error);
  }
}

/** The same, inflated outside the thread that asks. */
export async function readZipEntryAside(entry: ZipEntry): Promise<ZipContent> {
  if (entry.method === 'store') return compared(entry, entry.packed);
  try {
    return inflated(entry, await inflateAside(entry.packed, optionsFor(entry)));
  } catch (error) {
    return notInflated(entry, error);
  }
}

const inflateAside = promisify(inflateRaw);

const CHUNK_MAX = 262_144;

/** `info` asks how many bytes were used up: zlib passes over what lies behind the end of a stream. */
function optionsFor({ size }: ZipEntry) {
  const chunkSize = Math.min(Math.max(size + 1, 64), CHUNK_MAX);
  return { maxOutputLength: Math.max(size, 1), chunkSize, info: true };
}

function inflated(entry: ZipEntry, answer: unknown): ZipContent {
  // With `info` the answer has this form; the types know only the one without.
  const { buffer, engine } = answer as { buffer: Buffer; engine: { bytesWritten: number } };
  const behind = entry.packed.length - engine.bytesWritten;
  if (behind !== 0) return failed(entry, `${behind} packed bytes lie behind the end of its data`);
  return compared(entry, buffer);
}

function compared(entry: ZipEntry, bytes: Uint8Array): ZipContent {
  if (bytes.length !== entry.size) {
    return failed(entry, `expected ${entry.size} bytes, found ${bytes.length}`);
  }
  const found = crc32(bytes);
  if (found === entry.crc32) return { ok: true, bytes };
  const hex = (value: number) => value.toString(16).padStart(8, '0');
  return failed(entry, `expected CRC-32 ${hex(entry.crc32)}, found ${hex(found)}`);
}

function notInflated(entry: ZipEntry, error: unknown): ZipContent {
  const code = error instanceof Error && 'code' in error ? String(error.code) : '';
  if (code === 'ERR_BUFFER_TOO_LARGE') {
    return failed(entry, `expected ${entry.size} bytes as it states, found more`);
  }
  if (!code.startsWith('Z_')) throw error;
  return failed(entry, `the packed data cannot be inflated: ${(error as Error).message}`);
}

function failed(entry: ZipEntry, message: string): ZipContent {
  return { ok: false, fault: { rule: 'content', entry: shownName(entry.name), message } };
}
