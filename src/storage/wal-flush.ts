import { closeSync, fdatasyncSync, fsyncSync, openSync } from 'node:fs';
import { dirname } from 'node:path';
import { FlushThread } from './flush-thread.js';

/** Flushes that are made at once before a thread is started for them: a process that writes little needs none. */
const AT_ONCE_MAX = 64;

/** How a file gets onto the disk. */
export interface FileSync {
  /** Before it returns. */
  atOnce(): void;
  /** Beside the calling thread, one at a time; null while that cannot be done. */
  beside(): Promise<void> | null;
  close(): Promise<void>;
}

/** The disk refused to keep what was committed. Nothing is believed after that until the database is opened anew. */
class FlushFailed extends Error {
  /** As SQLite calls it. */
  readonly code = 'SQLITE_IOERR_FSYNC';

  constructor(cause: unknown) {
    super('what was committed did not get onto the disk; the gateway has to be started anew', {
      cause,
    });
    this.name = 'FlushFailed';
  }
}

/**
 * Knows how much of what SQLite has committed is on the disk. SQLite writes its log and leaves the flush to this
 * (`synchronous = NORMAL`), so that the thread that writes need not wait for the disk; whoever answers for something
 * waits here first. A flush takes along everything that was committed before it began.
 */
export class WalFlush {
  #committed = 0;
  #flushed = 0;
  #running: { readonly upTo: number; readonly done: Promise<void> } | null = null;
  #next: Promise<void> | null = null;
  #failure: FlushFailed | null = null;
  #closed: Promise<void> | null = null;

  constructor(private readonly file: FileSync) {}

  /** A transaction was committed. */
  noteCommit(): void {
    this.#committed += 1;
  }

  /** Resolves when all that is committed by now is on the disk; null when it is. */
  whenFlushed(): Promise<void> | null {
    if (this.#failure !== null) return Promise.reject(this.#failure);
    if (this.#closed !== null) return this.#atClose();
    if (this.#flushed >= this.#committed) return null;
    const running = this.#running;
    if (running === null) return this.#begin();
    if (running.upTo >= this.#committed) return running.done;
    this.#next ??= running.done.then(async () => {
      this.#next = null;
      await this.whenFlushed();
    });
    return this.#next;
  }

  /**
   * Ends it, once: its descriptor may be another file's afterwards. What is left is flushed here: SQLite does when it
   * closes, but not while another process, such as a backup, reads the file.
   */
  close(): Promise<void> {
    this.#closed ??= this.#end();
    return this.#closed;
  }

  async #end(): Promise<void> {
    await this.#running?.done.catch(() => undefined);
    try {
      if (this.#flushed < this.#committed && this.#failure === null) this.file.atOnce();
    } catch (error) {
      this.#failed(error);
    }
    await this.file.close();
  }

  async #atClose(): Promise<void> {
    await this.#closed;
    if (this.#failure !== null) throw this.#failure;
  }

  #begin(): Promise<void> | null {
    const upTo = this.#committed;
    try {
      const beside = this.file.beside();
      if (beside === null) {
        this.file.atOnce();
        this.#flushed = upTo;
        return null;
      }
      const done = beside.then(
        () => {
          this.#running = null;
          this.#flushed = upTo;
        },
        (error: unknown) => this.#fail(error),
      );
      this.#running = { upTo, done };
      return done;
    } catch (error) {
      return Promise.reject(this.#failed(error));
    }
  }

  #fail(error: unknown): never {
    this.#running = null;
    throw this.#failed(error);
  }

  #failed(error: unknown): FlushFailed {
    this.#failure ??= new FlushFailed(error);
    return this.#failure;
  }
}

/**
 * The log of a database, which SQLite keeps for as long as a connection is open.
 *
 * @param path of the log, which is there
 */
export function openWalFile(path: string): FileSync {
  const file = openSync(path, 'r+');
  // A process before this one may have been killed between a commit and its flush.
  fsyncSync(file);
  syncFolder(dirname(path));
  let atOnce = 0;
  let thread: FlushThread | null = null;
  return {
    atOnce: () => {
      fdatasyncSync(file);
      atOnce += 1;
      if (atOnce === AT_ONCE_MAX) thread = new FlushThread(file);
    },
    beside: () => (thread?.isUp === true ? thread.flush() : null),
    close: async () => {
      await thread?.stop();
      closeSync(file);
    },
  };
}

/** The name of a new file is in its folder, which gets onto the disk by itself. */
function syncFolder(path: string): void {
  const folder = openSync(path, 'r');
  try {
    fsyncSync(folder);
  } finally {
    closeSync(folder);
  }
}
