import type Database from 'better-sqlite3';
import { openSqliteFile } from './dialect-sqlite.js';

/**
 * The raw bytes in the file of a SQLite database, over a connection of its own: for a thread beside the one that
 * owns the database, where writing and reading megabytes at once holds nobody up.
 */
export class BytesFile {
  readonly #file: Database.Database;

  constructor(path: string) {
    this.#file = openSqliteFile(path);
    // Nobody waits for a flush on this thread's behalf, and here it holds nobody up.
    this.#file.pragma('synchronous = FULL');
  }

  /**
   * Stores bytes by their digest, flushed to disk when it returns; nothing changes where they are there. Nobody else may
   * write meanwhile, see `FileBeside`.
   */
  store(sha256: string, bytes: Uint8Array): void {
    const isThere = this.#file.prepare('select 1 from raw_bytes where sha256 = ?').get(sha256);
    if (isThere !== undefined) return;
    this.#file
      .prepare('insert into raw_bytes (sha256, size, bytes) values (?, ?, ?)')
      .run(sha256, bytes.byteLength, bytes);
    // Here it holds nobody up; left to whoever commits next, it would be the thread that answers requests.
    this.#file.pragma('wal_checkpoint(PASSIVE)');
  }

  /** The bytes in memory that threads share; null when there are none of that digest. */
  load(sha256: string): Uint8Array | null {
    const row = this.#file.prepare('select bytes from raw_bytes where sha256 = ?').get(sha256) as
      | { readonly bytes: Uint8Array }
      | undefined;
    if (row === undefined) return null;
    const shared = new Uint8Array(new SharedArrayBuffer(row.bytes.byteLength));
    shared.set(row.bytes);
    return shared;
  }

  close(): void {
    this.#file.close();
  }
}
