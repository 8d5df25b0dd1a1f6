import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

const ROOT = fileURLToPath(new URL('..', import.meta.url));
const PROBE = new URL('./probe.mjs', import.meta.url).href;
const START_DEADLINE_MS = 60_000;
const PROBE_DEADLINE_MS = 10_000;

/**
 * `drumline` as it ships, as a process of its own that has said in its JSON line that it is ready. With `probe`, a
 * file, it can be asked for its event-loop delay and its memory; with `profile`, a folder, it leaves a CPU profile.
 */
export async function startDrumline(args, { env, probe, profile }) {
  const flags = [
    ...(profile ? ['--cpu-prof', '--cpu-prof-dir', profile] : []),
    ...(probe ? ['--expose-gc', '--import', PROBE] : []),
  ];
  const child = spawn(
    process.execPath,
    [...flags, join(ROOT, 'bin/drumline.js'), ...args, '--log-level', 'error', '--json'],
    {
      env: { ...process.env, ...env, ...(probe ? { BENCH_PROBE_FILE: probe } : {}) },
      stdio: ['ignore', 'pipe', 'inherit'],
    },
  );
  process.once('exit', () => child.kill('SIGKILL'));
  const ended = once(child, 'exit');
  const ready = await Promise.race([
    once(createInterface({ input: child.stdout }), 'line').then(([line]) => JSON.parse(line)),
    ended.then(() => null),
    new Promise((resolve) => setTimeout(resolve, START_DEADLINE_MS, null).unref()),
  ]);
  if (ready === null) {
    child.kill('SIGKILL');
    throw new Error(`drumline ${args[0]} did not start`);
  }
  const isAlive = () => child.exitCode === null && child.signalCode === null;
  return {
    ready,
    isAlive,
    /** What the probe has measured since it was asked last. */
    measure: () => readProbe(child, probe),
    stop: async () => {
      if (isAlive()) child.kill('SIGTERM');
      await ended;
    },
    kill: async () => {
      if (isAlive()) child.kill('SIGKILL');
      await ended;
    },
  };
}

async function readProbe(child, file) {
  const lines = () => (existsSync(file) ? readFileSync(file, 'utf8').split('\n').slice(0, -1) : []);
  const before = lines().length;
  child.kill('SIGUSR2');
  const end = performance.now() + PROBE_DEADLINE_MS;
  while (lines().length === before) {
    if (performance.now() > end) throw new Error('the probe does not answer');
    await new Promise((resolve) => setTimeout(resolve, 10));
  }
  return JSON.parse(lines().at(-1));
}
