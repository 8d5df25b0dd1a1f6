import type Database from 'better-sqlite3';
import { openThreads, type Threads } from '../queue/threads.pool.js';
import { workerFile } from '../queue/worker-file.files.js';
import { pagesToCopy } from './pages-to-copy.js';

/** 32 MiB of 4 KiB pages; the file beside the database grows to about that. */
const COPIED_PAGES = 8_192;
/** Past this SQLite copies the log itself, at each commit until it can be begun anew. */
export const COPIED_AT_COMMIT_PAGES = 4 * COPIED_PAGES;
/** So few are copied while nobody writes. */
const FEW_PAGES = 256;
/** Commits between two looks at the length of the log. */
const LOOK_EVERY = 16;
/** Commits after a failure, before it is tried again. */
const AGAIN_AFTER = 1_024;
/** A thread that had nothing to do for so long is ended. */
const IDLE_MS = 60_000;

export interface LogCopyOptions {
  /** Copied is a log of which so many pages are not in the database. */
  readonly pages: number;
  /** Pages of the log that are not; asked only while no transaction runs. */
  readonly waiting: () => number;
  /** Copies them over a connection of its own and says how many are left, or were added meanwhile. */
  readonly copy: () => Promise<number>;
  /** Runs something while no transaction does. */
  readonly aside: <T>(work: () => Promise<T>) => Promise<T>;
}

/**
 * Has the log of a SQLite file copied into the database beside the thread that writes. Left to SQLite, the commit that
 * finds the log long does it, and with it waits everything of the process: on a fast disk 30 to 70 ms, on a slow one
 * seconds. Where this fails, SQLite does it all the same once the log is `COPIED_AT_COMMIT_PAGES` long.
 */
export class LogCopy {
  #commits = 0;
  /** Pages that a reader beside it kept from being copied the last time. */
  #kept = 0;
  #againAfter = 0;
  #running: Promise<void> | null = null;
  #isOver = false;

  constructor(private readonly options: LogCopyOptions) {}

  /** A transaction was committed, and none runs. */
  noteCommit(): void {
    this.#commits += 1;
    if (this.#isOver || this.#running !== null || this.#commits % LOOK_EVERY !== 0) return;
    if (!this.#isLong()) return;
    this.#running = this.#copyAll().finally(() => {
      this.#running = null;
    });
  }

  /** Resolves when nothing is copied any more, nor will be. */
  async close(): Promise<void> {
    this.#isOver = true;
    await this.#running;
  }

  /** What was committed is committed, whatever happens here. */
  #isLong(): boolean {
    const { waiting, pages } = this.options;
    if (this.#commits < this.#againAfter) return false;
    try {
      const now = waiting();
      // The log was begun anew since: nothing of it is kept any more.
      this.#kept = Math.min(this.#kept, now);
      return now >= this.#kept + pages;
    } catch {
      this.#pause();
      return false;
    }
  }

  async #copyAll(): Promise<void> {
    const { copy, aside } = this.options;
    try {
      // Nearly all of it, while transactions go on; on a slow disk they add much meanwhile.
      for (let left = Number.POSITIVE_INFINITY, before = left; ; before = left) {
        left = await copy();
        if (this.#isOver) return;
        if (left <= FEW_PAGES || left > before / 2) break;
      }
      // And the rest: only a log that is copied to its end is begun anew, and they would always be ahead.
      this.#kept = await aside(copy);
    } catch {
      this.#pause();
    }
  }

  /** Nothing is lost by a failure: what was not copied stands in the log, and SQLite says what its disk says. */
  #pause(): void {
    this.#againAfter = this.#commits + AGAIN_AFTER;
  }
}

/** The log of an open database, copied by a thread that starts with the first copy. */
export function copyBeside(
  file: Database.Database,
  aside: LogCopyOptions['aside'],
): { readonly log: LogCopy; close(): Promise<void> } {
  let threads: Threads | null = null;
  const log = new LogCopy({
    pages: COPIED_PAGES,
    waiting: () => pagesToCopy(file),
    copy: async () => {
      threads ??= openThreads(workerFile(import.meta.url, './log-copy.worker.js'), {
        name: 'copy',
        minThreads: 0,
        maxThreads: 1,
        idleTimeout: IDLE_MS,
        workerData: file.name,
      });
      return (await threads.run(undefined, { name: 'copy' })) as number;
    },
    aside,
  });
  return {
    log,
    close: async () => {
      await log.close();
      await threads?.destroy();
    },
  };
}
