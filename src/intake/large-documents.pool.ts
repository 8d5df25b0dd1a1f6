import type { Sha256 } from '../formats/canonical-json.js';
import type { JsonLimits } from '../formats/strict-json.js';
import { Problem } from '../problem-details.js';
import { isThreadDeath, openThreads, type Threads } from '../queue/threads.pool.js';
import { workerFile } from '../queue/worker-file.files.js';
import type { OpenDatabase } from '../storage/database.js';
import { loadRawBytes, loadSmallBytes } from './bundles.store.js';
import type { LargeDocuments } from './intake.service.js';
import type { LargeThreadData, StoreTask } from './large-documents-task.js';
import { type DocumentRead, LARGE_BYTES } from './read-document.js';

export interface LargeDocumentsOptions {
  readonly database: OpenDatabase;
  readonly limits: JsonLimits;
  readonly deadlineMs?: number;
  readonly heapMb?: number;
  /** Bytes that may wait for the thread at once. */
  readonly waitingBytesMax?: number;
}

const DEADLINE_MS = 60_000;
const HEAP_MB_MAX = 1024;
/** A few documents of the largest size a site may allow; each of them is in memory until it is stored. */
const WAITING_BYTES_MAX = 268_435_456;
const AGAIN = { 'retry-after': '5' };

/**
 * One thread that reads, stores and loads large documents. It is not one of those that examine bundles: a sender waits
 * for its answer, and would wait behind seconds of their work. It starts with the first large document.
 */
export class LargeDocumentsPool implements LargeDocuments {
  readonly #options: Required<LargeDocumentsOptions>;
  #threads: Threads | null = null;
  #isClosed = false;
  #waitingBytes = 0;

  constructor(options: LargeDocumentsOptions) {
    this.#options = {
      deadlineMs: DEADLINE_MS,
      heapMb: HEAP_MB_MAX,
      waitingBytesMax: WAITING_BYTES_MAX,
      ...options,
    };
  }

  /** @throws Problem `bundle-not-read` when the thread died or ran out of time; it is replaced */
  async read(bytes: Uint8Array): Promise<DocumentRead> {
    const { waitingBytesMax } = this.#options;
    const size = bytes.byteLength;
    if (this.#waitingBytes + size > waitingBytesMax) {
      const found = `${this.#waitingBytes} bytes of other bundles wait to be read`;
      throw new Problem('bundle-not-read', `${found}, the limit is ${waitingBytesMax}`, {}, AGAIN);
    }
    this.#waitingBytes += size;
    try {
      return (await this.#run('read', shared(bytes))) as DocumentRead;
    } finally {
      this.#waitingBytes -= size;
    }
  }

  /** @throws an error with the code of the database when it cannot be written, Problem as `read` */
  async store(sha256: Sha256, bytes: Uint8Array): Promise<boolean> {
    const { file } = this.#options.database;
    // To a server the bytes go over the network, which holds nobody up.
    if (file === undefined) return false;
    const task: StoreTask = { sha256, bytes: shared(bytes) };
    const failed = await file.writeAside(() => this.#run('store', task));
    if (failed === null) return true;
    const message = `the bytes of a large bundle were not stored: ${String(failed)}`;
    throw Object.assign(new Error(message), { code: failed });
  }

  /** Stored bytes, large ones of a file without holding up the thread that asks; undefined when there are none. */
  async load(sha256: string): Promise<Uint8Array | undefined> {
    const { db, file } = this.#options.database;
    if (file === undefined) return loadRawBytes(db, sha256);
    const row = await loadSmallBytes(db, sha256, LARGE_BYTES);
    if (row === undefined) return undefined;
    return row.bytes ?? ((await this.#run('load', sha256)) as Uint8Array | null) ?? undefined;
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.#threads?.destroy();
  }

  async #run(name: string, task: unknown): Promise<unknown> {
    const deadline = AbortSignal.timeout(this.#options.deadlineMs);
    try {
      return await this.#opened().run(task, { name, signal: deadline });
    } catch (error) {
      if (!deadline.aborted && !isThreadDeath(error)) throw error;
      const why = deadline.aborted
        ? `it took longer than ${this.#options.deadlineMs / 1000} s`
        : 'the thread that had it ended';
      throw new Problem('bundle-not-read', why, {}, AGAIN);
    }
  }

  #opened(): Threads {
    if (this.#isClosed) throw new Error('the pool was closed');
    const { database, limits, heapMb } = this.#options;
    const workerData: LargeThreadData = { path: database.file?.path ?? null, limits };
    this.#threads ??= openThreads(workerFile(import.meta.url, './large-documents.worker.js'), {
      name: 'read',
      // After a thread was ended, only a pool below its minimum starts another one for what waits in the queue.
      minThreads: 1,
      maxThreads: 1,
      workerData,
      resourceLimits: { maxOldGenerationSizeMb: heapMb },
    });
    return this.#threads;
  }
}

/** The bytes in memory that threads share; those that came that way are not copied. */
function shared(bytes: Uint8Array): Uint8Array {
  if (bytes.buffer instanceof SharedArrayBuffer) return bytes;
  const copy = new Uint8Array(new SharedArrayBuffer(bytes.byteLength));
  copy.set(bytes);
  return copy;
}
