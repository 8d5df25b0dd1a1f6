import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { MessageChannel, receiveMessageOnPort } from 'node:worker_threads';
import { Piscina } from 'piscina';
import {
  type ContractResult,
  EXPRESSION_LIMITS,
  type ExpressionResult,
} from './expression-task.js';

interface Ended {
  readonly ended: 'expression-deadline' | 'expression-memory';
  /** Index of the expression that was running. */
  readonly index: number;
}

/** Units waiting at once; past this something has gone wrong upstream. */
const QUEUE_MAX = 10_000;

/**
 * Threads that evaluate mapping expressions and contracts with patterns. A thread has a heap limit, and one
 * that works past its deadline is ended from outside and replaced; waiting in the queue does not count.
 */
export class ExpressionPool {
  readonly #pool: Piscina;

  constructor(options: { readonly threads: number }) {
    this.#pool = new Piscina({
      filename: workerFile(),
      minThreads: 0,
      maxThreads: options.threads,
      idleTimeout: 30_000,
      maxQueue: QUEUE_MAX,
      concurrentTasksPerWorker: 1,
      resourceLimits: {
        maxOldGenerationSizeMb: EXPRESSION_LIMITS.heapMb,
        maxYoungGenerationSizeMb: 16,
        stackSizeMb: 4,
      },
    });
  }

  /**
   * The value of each expression over one subject (JSON text), in order. One that has to be ended does not
   * take the others with it: they are evaluated again without it.
   */
  async evaluate(
    expressions: readonly string[],
    subject: string,
  ): Promise<readonly ExpressionResult[]> {
    const results = new Map<number, ExpressionResult>();
    let waiting = [...expressions.keys()];
    while (waiting.length > 0) {
      const batch = waiting.map((index) => expressions[index] ?? '');
      const outcome = await this.#guarded<ExpressionResult[]>('evaluate', {
        expressions: batch,
        subject,
      });
      if ('ended' in outcome) {
        const culprit = waiting[outcome.index] ?? 0;
        results.set(culprit, { ok: false, code: outcome.ended, detail: explain(outcome.ended) });
        waiting = waiting.filter((index) => index !== culprit);
      } else {
        for (const [position, result] of outcome.value.entries()) {
          results.set(waiting[position] ?? position, result);
        }
        waiting = [];
      }
    }
    return expressions.map((_expression, index) => {
      const result = results.get(index);
      if (!result) throw new Error('the pool returned fewer results than expressions');
      return result;
    });
  }

  /** What a contract (JSON text of a schema) says about a payload tree. */
  async checkContract(schema: string, tree: unknown): Promise<ContractResult> {
    const outcome = await this.#guarded<ContractResult>('checkContract', {
      schema,
      tree: JSON.stringify(tree),
    });
    return 'ended' in outcome ? { ok: false, detail: explain(outcome.ended) } : outcome.value;
  }

  async close(): Promise<void> {
    await this.#pool.destroy();
  }

  async #guarded<T>(name: string, task: object): Promise<Ended | { readonly value: T }> {
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
      return { value: value as T };
    } catch (error) {
      // The thread may have died before its last words were read: they say what was running.
      const last = receiveMessageOnPort(port1)?.message as number | undefined;
      index = last ?? index;
      if (abort.signal.aborted) return { ended: 'expression-deadline', index };
      if ((error as NodeJS.ErrnoException).code === 'ERR_WORKER_OUT_OF_MEMORY') {
        return { ended: 'expression-memory', index };
      }
      throw error;
    } finally {
      clearTimeout(timer);
      port1.close();
    }
  }
}

function explain(ended: Ended['ended']): string {
  return ended === 'expression-deadline'
    ? `it ran past ${EXPRESSION_LIMITS.deadlineMs} ms and was ended`
    : `it needed more than ${EXPRESSION_LIMITS.heapMb} MB and was ended`;
}

/**
 * Node loads the compiled worker. When this file runs as TypeScript source (tests, which do not compile),
 * the worker is the one `npm ci` built; a test makes sure that it was built from the source beside it.
 */
function workerFile(): string {
  const beside = fileURLToPath(new URL('./expression.worker.js', import.meta.url));
  if (existsSync(beside)) return beside;
  const built = fileURLToPath(new URL('../../dist/mapping/expression.worker.js', import.meta.url));
  if (existsSync(built)) return built;
  throw new Error(`the expression worker is not built: run npm run build (looked for ${built})`);
}
