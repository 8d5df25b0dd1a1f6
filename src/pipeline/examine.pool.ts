import { Piscina } from 'piscina';
import { workerFile } from '../queue/worker-file.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { ExaminedUnit, ExamineTask } from './examined-unit.js';

/** Ample for the largest bundle a site may allow; a thread past it ends and the process goes on. */
const HEAP_MB_MAX = 1024;
const DEADLINE_MS = 60_000;

/** A thread died or ran out of time on a unit of work: that unit is to blame, and no other. */
export class UnitDied extends Error {
  constructor(cause: unknown) {
    super('examining a bundle ended its thread', { cause });
    this.name = 'UnitDied';
  }
}

/** Threads that parse and check foreign bytes: bytes in, small results out. */
export class ExaminePool {
  readonly #pool: Piscina<ExamineTask, ExaminedUnit>;

  constructor(
    site: SiteFolder,
    readonly threads: number,
  ) {
    this.#pool = new Piscina({
      filename: workerFile(import.meta.url, './examine.worker.js'),
      name: 'examine',
      minThreads: threads,
      maxThreads: threads,
      workerData: { site },
      resourceLimits: { maxOldGenerationSizeMb: HEAP_MB_MAX },
    });
  }

  /** @throws UnitDied when the thread died or passed its deadline; the thread is replaced. */
  async examine(task: ExamineTask): Promise<ExaminedUnit> {
    const deadline = AbortSignal.timeout(DEADLINE_MS);
    try {
      return await this.#pool.run(task, { signal: deadline });
    } catch (error) {
      throw deadline.aborted || isThreadDeath(error) ? new UnitDied(error) : error;
    }
  }

  close(): Promise<void> {
    return this.#pool.destroy();
  }
}

function isThreadDeath(error: unknown): boolean {
  const code = error instanceof Error && 'code' in error ? error.code : undefined;
  return code === 'ERR_WORKER_OUT_OF_MEMORY' || code === 'ERR_WORKER_INIT_FAILED';
}
