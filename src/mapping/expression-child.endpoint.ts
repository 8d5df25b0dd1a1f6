import type { ChildProcess } from 'node:child_process';
import { startBare } from '../queue/bare-process.endpoint.js';
import { workerFile } from '../queue/worker-file.files.js';
import type { PoolUnit, UnitEnded, UnitReply } from './expression-task.js';

type Answer = UnitEnded | { readonly value: unknown };

interface Waiting {
  readonly resolve: (answer: Answer | 'died') => void;
  readonly reject: (error: Error) => void;
}

/** The gateway's side of the expression process: started at the first unit and again after it died. */
export class ExpressionChild {
  readonly #threads: number;
  readonly #waiting = new Map<number, Waiting>();
  #child: ChildProcess | null = null;
  #isProven = false;
  #nextId = 1;

  constructor(threads: number) {
    this.#threads = threads;
  }

  /**
   * Runs one unit. `died` when the process went down under it, by this unit or by another one. Rejects when
   * the process cannot be started or reports a fault of its own.
   */
  async run(unit: PoolUnit): Promise<Answer | 'died'> {
    const child = this.#child ?? this.#start();
    const id = this.#nextId;
    this.#nextId += 1;
    return await new Promise((resolve, reject) => {
      this.#waiting.set(id, { resolve, reject });
      child.ref();
      child.channel?.ref();
      child.send({ id, ...unit }, (error) => {
        // A channel that is gone has an exit event behind it, which answers for everything that waits.
        if (error && child !== this.#child) this.#settle(id, (w) => w.resolve('died'));
      });
    });
  }

  async close(): Promise<void> {
    const child = this.#child;
    if (!child) return;
    const gone = new Promise((resolve) => child.once('exit', resolve));
    // Waiting for its end must keep this process alive, which an idle child does not.
    child.ref();
    child.kill('SIGKILL');
    await gone;
  }

  #start(): ChildProcess {
    const file = workerFile(import.meta.url, './expression.process.js');
    const { child, lastWords } = startBare(file, [String(this.#threads)]);
    child.on('message', (reply: UnitReply) => {
      this.#isProven = true;
      this.#settle(reply.id, (waiting) => answerWith(waiting, reply));
    });
    child.on('error', (error) => this.#gone(child, error.message));
    child.on('exit', () => this.#gone(child, lastWords()));
    // An idle pool keeps nobody alive; a unit under way does.
    child.unref();
    child.channel?.unref();
    const { stderr } = child;
    if (stderr && 'unref' in stderr && typeof stderr.unref === 'function') stderr.unref();
    this.#child = child;
    return child;
  }

  #gone(child: ChildProcess, lastWords: string): void {
    if (this.#child !== child) return;
    this.#child = null;
    // A process that never answered anything may be broken itself rather than killed by a unit.
    const isBroken =
      !this.#isProven && !/heap out of memory|heap limit/i.test(lastWords) && lastWords !== '';
    for (const id of [...this.#waiting.keys()]) {
      this.#settle(id, ({ resolve, reject }) =>
        isBroken
          ? reject(new Error(`the expression process could not run: ${lastWords}`))
          : resolve('died'),
      );
    }
  }

  #settle(id: number, how: (waiting: Waiting) => void): void {
    const waiting = this.#waiting.get(id);
    if (!waiting) return;
    this.#waiting.delete(id);
    if (this.#waiting.size === 0) {
      this.#child?.unref();
      this.#child?.channel?.unref();
    }
    how(waiting);
  }
}

function answerWith({ resolve, reject }: Waiting, reply: UnitReply): void {
  switch (reply.kind) {
    case 'value':
      resolve({ value: reply.value });
      break;
    case 'ended':
      resolve({ ended: reply.ended, index: reply.index });
      break;
    case 'fault':
      reject(new Error(`the expression process failed: ${reply.message}`));
  }
}
