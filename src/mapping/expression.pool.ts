import { ExpressionChild } from './expression-child.endpoint.js';
import {
  type ContractResult,
  EXPRESSION_LIMITS,
  type ExpressionResult,
  type PoolUnit,
  type UnitEnded,
} from './expression-task.js';

type Answer = UnitEnded | { readonly value: unknown };

/**
 * Evaluates mapping expressions, and contracts with patterns, out of the gateway's way: in threads with a
 * heap limit and a deadline, which live in a process of their own. Whatever an expression does, it ends
 * within the bound with a named problem, and the gateway goes on.
 */
export class ExpressionPool {
  readonly #child: ExpressionChild;
  /** Units under suspicion run one at a time; everything else waits for them. */
  #suspects: Promise<unknown> = Promise.resolve();

  constructor(options: { readonly threads: number }) {
    this.#child = new ExpressionChild(options.threads);
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
      const answer = await this.#run({ name: 'evaluate', task: { expressions: batch, subject } });
      if (answer === 'died') {
        for (const index of waiting) {
          results.set(index, await this.#evaluateAlone(expressions[index] ?? '', subject));
        }
        waiting = [];
      } else if ('ended' in answer) {
        const culprit = waiting[answer.index] ?? 0;
        results.set(culprit, failed(answer.ended));
        waiting = waiting.filter((index) => index !== culprit);
      } else {
        for (const [position, result] of (answer.value as ExpressionResult[]).entries()) {
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
    const unit: PoolUnit = { name: 'checkContract', task: { schema, tree: JSON.stringify(tree) } };
    const first = await this.#run(unit);
    const answer = first === 'died' ? await this.#runAlone(unit) : first;
    if (answer === 'died') return { ok: false, detail: explain('expression-memory') };
    return 'ended' in answer
      ? { ok: false, detail: explain(answer.ended) }
      : (answer.value as ContractResult);
  }

  async close(): Promise<void> {
    await this.#child.close();
  }

  async #evaluateAlone(expression: string, subject: string): Promise<ExpressionResult> {
    const task = { expressions: [expression], subject };
    const answer = await this.#runAlone({ name: 'evaluate', task });
    if (answer === 'died') return failed('expression-memory');
    if ('ended' in answer) return failed(answer.ended);
    const [result] = answer.value as ExpressionResult[];
    if (!result) throw new Error('the pool returned no result for an expression');
    return result;
  }

  async #run(unit: PoolUnit): Promise<Answer | 'died'> {
    await this.#suspects;
    return await this.#child.run(unit);
  }

  /** After the process died every unit in it is suspect: alone, the one that did it shows itself. */
  async #runAlone(unit: PoolUnit): Promise<Answer | 'died'> {
    const turn = this.#suspects.then(() => this.#child.run(unit));
    // A fault is the caller's to handle; the next in turn only waits for the end.
    this.#suspects = turn.catch(() => undefined);
    return await turn;
  }
}

function failed(code: UnitEnded['ended']): ExpressionResult {
  return { ok: false, code, detail: explain(code) };
}

function explain(ended: UnitEnded['ended']): string {
  return ended === 'expression-deadline'
    ? `it ran past ${EXPRESSION_LIMITS.deadlineMs} ms and was ended`
    : `it needed more than ${EXPRESSION_LIMITS.heapMb} MB and was ended`;
}
