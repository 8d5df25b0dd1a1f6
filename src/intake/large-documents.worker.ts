import { workerData } from 'node:worker_threads';
import type { JsonLimits } from '../formats/strict-json.js';
import { BytesFile } from '../storage/bytes-file.js';
import type { LargeThreadData, StoreTask } from './large-documents-task.js';
import { type DocumentRead, readDocument } from './read-document.js';

const { path, limits } = workerData as LargeThreadData;
let file: BytesFile | null = null;

export function read(bytes: Uint8Array): DocumentRead {
  return readDocument(bytes, limits satisfies JsonLimits);
}

export function store({ sha256, bytes }: StoreTask): string | null {
  try {
    opened().store(sha256, bytes);
    return null;
  } catch (error) {
    // Between threads an error loses its code, by which a full disk is told from a defect.
    return codeOf(error);
  }
}

export function load(sha256: string): Uint8Array | null {
  return opened().load(sha256);
}

function opened(): BytesFile {
  if (path === null) throw new Error('the database is no file');
  file ??= new BytesFile(path);
  return file;
}

function codeOf(error: unknown): string {
  if (error instanceof Error && 'code' in error && typeof error.code === 'string')
    return error.code;
  throw error;
}
