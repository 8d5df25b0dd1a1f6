import type { PoolUnit, UnitReply } from './expression-task.js';
import { ExpressionThreads } from './expression-threads.pool.js';

/**
 * Entry of the process that holds the expression threads. A thread that asks for far too much memory at
 * once takes its whole process with it (the engine gives up before the thread's limit can act), so the
 * threads do not live in the gateway. Ends with the gateway: its channel closes, whatever the threads do.
 */
const threads = new ExpressionThreads({ threads: Number(process.argv[2] ?? '1') });

process.on('message', (unit: PoolUnit & { readonly id: number }) => {
  void answer(unit).then((reply) => process.send?.(reply));
});
process.on('disconnect', () => process.exit(0));

async function answer(unit: PoolUnit & { readonly id: number }): Promise<UnitReply> {
  const { id } = unit;
  try {
    const outcome = await threads.run(unit);
    return 'ended' in outcome
      ? { id, kind: 'ended', ...outcome }
      : { id, kind: 'value', value: outcome.value };
  } catch (error) {
    return {
      id,
      kind: 'fault',
      message: error instanceof Error ? (error.stack ?? error.message) : String(error),
    };
  }
}
