import { directQueriesOf } from './dialect.js';
import type { Trx } from './handles.js';

/**
 * Works out something long inside a transaction, step by step, as its queries run: everything else of the process has
 * its turn in between once the transaction has had its own.
 */
export async function inTurns<T>(trx: Trx, steps: Generator<void, T>): Promise<T> {
  const direct = directQueriesOf(trx.getExecutor().adapter);
  for (;;) {
    const step = steps.next();
    if (step.done) return step.value;
    const rest = direct?.restAfter(trx) ?? null;
    if (rest !== null) await rest;
  }
}
