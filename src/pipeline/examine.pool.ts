import { LARGE_BYTES } from '../intake/read-document.js';
import { isThreadDeath, openThreads, type Threads } from '../queue/threads.pool.js';
import { workerFile } from '../queue/worker-file.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { ExaminedUnit, ExamineTask } from './examined-unit.js';
import { type JudgedTask, judgingSite } from './judging-site.pool.js';

/** Ample for the largest bundle a site may allow; a thread past it ends and the process goes on. */
const HEAP_MB_MAX = 1024;
/** For one bundle; past it its thread ends. */
export const EXAMINE_DEADLINE_MS = 60_000;

/** A thread, or a process of its own, died or ran out of time on a unit of work: that unit is to blame, and no other. */
export class UnitDied extends Error {
  constructor(cause: unknown) {
    super('examining a bundle ended its thread or process', { cause });
    this.name = 'UnitDied';
  }
}

/**
 * Threads that parse and check foreign bytes: bytes in, small results out. The site that judges comes with each unit, so that
 * methods that change end no thread.
 */
export class ExaminePool {
  #threads: Threads<JudgedTask, ExaminedUnit> | null = null;
  #isClosed = false;

  constructor(private readonly count: number) {}

  /** Starts the threads, so that the first unit need not wait for them. */
  prepare(): void {
    this.#opened();
  }

  /**
   * @param task whose bytes are given away where they are large and nobody shares them
   * @param site that the bundle is judged by, with the methods in force
   * @throws UnitDied when the thread died or passed its deadline; the thread is replaced.
   */
  async examine(task: ExamineTask, site: SiteFolder): Promise<ExaminedUnit> {
    const deadline = AbortSignal.timeout(EXAMINE_DEADLINE_MS);
    try {
      const transferList = givenAway(task.bytes);
      const judged = { task, site: judgingSite(site) };
      return await this.#opened().run(judged, { signal: deadline, transferList });
    } catch (error) {
      throw deadline.aborted || isThreadDeath(error) ? new UnitDied(error) : error;
    }
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.#threads?.destroy();
  }

  #opened(): Threads<JudgedTask, ExaminedUnit> {
    if (this.#isClosed) throw new Error('the pool was closed');
    this.#threads ??= openThreads(workerFile(import.meta.url, './examine.worker.js'), {
      name: 'examine',
      minThreads: this.count,
      maxThreads: this.count,
      resourceLimits: { maxOldGenerationSizeMb: HEAP_MB_MAX },
    });
    return this.#threads;
  }
}

/** The memory of large bytes that is nothing but theirs: handed over, it is not copied. Shared memory is not copied anyway. */
function givenAway({ buffer, byteLength }: Uint8Array): ArrayBuffer[] {
  const isOwn = buffer instanceof ArrayBuffer && buffer.byteLength === byteLength;
  return isOwn && byteLength >= LARGE_BYTES ? [buffer] : [];
}
