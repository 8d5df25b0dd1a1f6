import { fork } from 'node:child_process';
import { once } from 'node:events';
import { fileURLToPath } from 'node:url';

/**
 * A process of its own that answers questions: `ask` sends one and waits for its answer. What it writes to
 * stderr is shown. With `profile` it leaves a CPU profile in that folder.
 */
export function startChild(file, profile) {
  const child = fork(fileURLToPath(new URL(file, import.meta.url)), {
    stdio: ['ignore', 'ignore', 'inherit', 'ipc'],
    execArgv: profile === undefined ? [] : ['--cpu-prof', '--cpu-prof-dir', profile],
  });
  const waiting = new Map();
  let asked = 0;
  child.on('message', ({ id, value, error }) => {
    const { resolve, reject } = waiting.get(id);
    waiting.delete(id);
    if (error === undefined) resolve(value);
    else reject(new Error(`${file}: ${error}`));
  });
  child.on('exit', (code, signal) => {
    for (const { reject } of waiting.values())
      reject(new Error(`${file} ended: ${signal ?? code}`));
  });
  return {
    ask: (name, payload = {}) =>
      new Promise((resolve, reject) => {
        asked += 1;
        waiting.set(asked, { resolve, reject });
        child.send({ id: asked, name, payload });
      }),
    stop: async () => {
      if (child.exitCode !== null || child.signalCode !== null) return;
      const ended = once(child, 'exit');
      child.send({ name: 'stop' });
      await ended;
    },
  };
}

/** The other side: answers each question by the function of its name. */
export function answerParent(handlers) {
  process.on('disconnect', () => process.exit(0));
  process.on('message', async ({ id, name, payload }) => {
    if (name === 'stop') process.exit(0);
    try {
      process.send({ id, value: await handlers[name](payload) });
    } catch (error) {
      process.send({ id, error: error instanceof Error ? error.stack : String(error) });
    }
  });
}

/** Milliseconds on a clock that all processes of one machine share. */
export function now() {
  return performance.timeOrigin + performance.now();
}
