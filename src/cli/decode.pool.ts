import { isOutOfMemory, openThreads, type Threads } from '../queue/threads.pool.js';
import { workerFile } from '../queue/worker-file.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { ConvertAnswer, ConvertTask } from './convert-task.js';
import type { SpectrumAnswer, SpectrumTask } from './spectrum-task.js';

export interface DecodePoolOptions {
  /** For bundles; null rechecks nothing. */
  readonly site: SiteFolder | null;
  readonly threads?: number;
  readonly deadlineMs?: number;
  readonly heapMb?: number;
  /** Another worker file, for tests. */
  readonly worker?: string;
}

const DEADLINE_MS = 60_000;
const HEAP_MB_MAX = 1024;

export type PoolAnswer<T> =
  | { readonly ok: true; readonly answer: T }
  /** Why the file was given up. */
  | { readonly ok: false; readonly message: string };

/**
 * Threads that decode foreign bytes: a file that takes all memory or no end costs its thread and is refused;
 * the command goes on.
 */
export class DecodePool {
  readonly #pool: Threads;
  readonly #deadlineMs: number;
  readonly #heapMb: number;

  constructor(options: DecodePoolOptions) {
    this.#deadlineMs = options.deadlineMs ?? DEADLINE_MS;
    this.#heapMb = options.heapMb ?? HEAP_MB_MAX;
    const file = options.worker ?? workerFile(import.meta.url, './decode.worker.js');
    this.#pool = openThreads(file, {
      minThreads: 1,
      maxThreads: options.threads ?? 1,
      workerData: { site: options.site },
      resourceLimits: { maxOldGenerationSizeMb: this.#heapMb },
    });
  }

  convert(task: ConvertTask): Promise<PoolAnswer<ConvertAnswer>> {
    return this.#run('convert', task.file, task);
  }

  spectrum(task: SpectrumTask): Promise<PoolAnswer<SpectrumAnswer>> {
    return this.#run('spectrum', task.file, task);
  }

  close(): Promise<void> {
    return this.#pool.destroy();
  }

  async #run<T>(name: string, file: string, task: unknown): Promise<PoolAnswer<T>> {
    const deadline = AbortSignal.timeout(this.#deadlineMs);
    try {
      return { ok: true, answer: (await this.#pool.run(task, { name, signal: deadline })) as T };
    } catch (error) {
      if (deadline.aborted) {
        return { ok: false, message: `${file}: not decoded within ${this.#deadlineMs / 1000} s` };
      }
      if (!isOutOfMemory(error)) throw error;
      return { ok: false, message: `${file}: decoding it took more than ${this.#heapMb} MB` };
    }
  }
}
