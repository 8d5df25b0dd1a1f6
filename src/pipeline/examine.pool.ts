import { Piscina } from 'piscina';
import { LARGE_BYTES } from '../intake/read-document.js';
import { POOL_THREAD_OPTIONS, workerFile } from '../queue/worker-file.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { ExaminedUnit, ExamineTask } from './examined-unit.js';

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

type Threads = Piscina<ExamineTask, ExaminedUnit>;

/** Threads that parse and check foreign bytes: bytes in, small results out. */
export class ExaminePool {
  #judging: { readonly site: SiteFolder; readonly threads: Threads } | null = null;
  /** Of a site before, with work under way. */
  readonly #leaving = new Set<Threads>();

  constructor(readonly threads: number) {}

  /** Starts the threads that judge by a site; those that judge by another end with the work they have. */
  prepare(site: SiteFolder): void {
    if (this.#judging?.site === site) return;
    const before = this.#judging?.threads;
    this.#judging = { site, threads: this.#open(site) };
    if (before === undefined) return;
    this.#leaving.add(before);
    void before.close().finally(() => this.#leaving.delete(before));
  }

  /**
   * @param task whose bytes are given away where they are large and nobody shares them
   * @param site that the bundle is judged by, with the methods in force
   * @throws UnitDied when the thread died or passed its deadline; the thread is replaced.
   */
  async examine(task: ExamineTask, site: SiteFolder): Promise<ExaminedUnit> {
    this.prepare(site);
    if (this.#judging === null) throw new Error('the pool was closed');
    const deadline = AbortSignal.timeout(EXAMINE_DEADLINE_MS);
    try {
      const transferList = givenAway(task.bytes);
      return await this.#judging.threads.run(task, { signal: deadline, transferList });
    } catch (error) {
      throw deadline.aborted || isThreadDeath(error) ? new UnitDied(error) : error;
    }
  }

  async close(): Promise<void> {
    const all = [...this.#leaving, ...(this.#judging === null ? [] : [this.#judging.threads])];
    await Promise.all(all.map((threads) => threads.destroy()));
  }

  #open(site: SiteFolder): Threads {
    return new Piscina({
      filename: workerFile(import.meta.url, './examine.worker.js'),
      name: 'examine',
      execArgv: [...POOL_THREAD_OPTIONS],
      minThreads: this.threads,
      maxThreads: this.threads,
      workerData: { site },
      resourceLimits: { maxOldGenerationSizeMb: HEAP_MB_MAX },
    });
  }
}

/** The memory of large bytes that is nothing but theirs: handed over, it is not copied. Shared memory is not copied anyway. */
function givenAway({ buffer, byteLength }: Uint8Array): ArrayBuffer[] {
  const isOwn = buffer instanceof ArrayBuffer && buffer.byteLength === byteLength;
  return isOwn && byteLength >= LARGE_BYTES ? [buffer] : [];
}

function isThreadDeath(error: unknown): boolean {
  const code = error instanceof Error && 'code' in error ? error.code : undefined;
  return code === 'ERR_WORKER_OUT_OF_MEMORY' || code === 'ERR_WORKER_INIT_FAILED';
}
