import { fileURLToPath } from 'node:url';
import { MessageChannel, receiveMessageOnPort } from 'node:worker_threads';
import { isOutOfMemory, openThreads, type Threads } from '../queue/threads.pool.js';
import { EXPRESSION_LIMITS, type PoolUnit, type UnitEnded } from './expression-task.js';

/** Units waiting at once; past this something has gone wrong upstream. */
const QUEUE_MAX = 10_000;

/**
 * Threads that evaluate mapping expressions and contracts with patterns. A thread has a heap limit, and one
 * that works past its deadline is ended and replaced; waiting in the queue does not count. Lives in a
 * process of its own, see `expression.process.ts`.
 */
export class ExpressionThreads {
  readonly #pool: Threads;

  constructor(options: { readonly threads: number }) {
    this.#pool = openThreads(fileURLToPath(new URL('./expression.worker.js', import.meta.url)), {
      // As many as there may be: after a thread was ended, only a pool below its minimum starts another one
      // for what waits in the queue.
      minThreads: options.threads,
      maxThreads: options.threads,
      maxQueue: QUEUE_MAX,
      concurrentTasksPerWorker: 1,
      resourceLimits: {
        maxOldGenerationSizeMb: EXPRESSION_LIMITS.heapMb,
        maxYoungGenerationSizeMb: 16,
        stackSizeMb: 4,
      },
    });
  }

  /** The worker's answer, or which expression of the unit had to be ended and why. */
  async run({ name, task }: PoolUnit): Promise<UnitEnded | { readonly value: unknown }> {
    const { port1, port2 } = new MessageChannel();
    const abort = new AbortController();
    let index = 0;
    let timer: NodeJS.Timeout | undefined;
    port1.on('message', (started: number) => {
      index = started;
      clearTimeout(timer);
      timer = setTimeout(() => abort.abort(), EXPRESSION_LIMITS.deadlineMs);
    });
    try {
      const value: unknown = await this.#pool.run(
        { ...task, started: port2 },
        { name, transferList: [port2], signal: abort.signal },
      );
      return { value };
    } catch (error) {
      // The thread may have died before its last words were read: they say what was running.
      const last = receiveMessageOnPort(port1)?.message as number | undefined;
      index = last ?? index;
      if (abort.signal.aborted) return { ended: 'expression-deadline', index };
      if (isOutOfMemory(error)) return { ended: 'expression-memory', index };
      throw error;
    } finally {
      clearTimeout(timer);
      port1.close();
    }
  }
}
