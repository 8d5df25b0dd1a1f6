import { ExaminePool, UnitDied } from './examine.pool.js';
import type { ChildTask, ChildWord } from './examine-child-task.js';

/**
 * Entry of the process that examines what may have ended another one. A thread that asks for far too much memory at once
 * takes its whole process with it (the engine gives up before the thread's limit can act). Ends with the gateway: its
 * channel closes, whatever its thread does.
 */
const pool = new ExaminePool(1);
pool.prepare();

// A signal to the whole group tells the gateway to stop. An end by it would be blamed on the bundle.
for (const signal of ['SIGTERM', 'SIGINT', 'SIGHUP'] as const) {
  process.on(signal, () => undefined);
}
process.on('disconnect', () => process.exit(0));
process.on('message', (given: ChildTask) => {
  void answer(given).then((word) => process.send?.(word));
});
process.send?.({ kind: 'ready' } satisfies ChildWord);

async function answer({ task, site }: ChildTask): Promise<ChildWord> {
  try {
    return { kind: 'unit', unit: await pool.examine(task, site) };
  } catch (error) {
    const message = error instanceof Error ? (error.stack ?? error.message) : String(error);
    return error instanceof UnitDied ? { kind: 'died' } : { kind: 'fault', message };
  }
}
