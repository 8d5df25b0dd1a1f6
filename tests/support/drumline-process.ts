import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { join } from 'node:path';
import { afterEveryTest } from './after-each.js';
import { repositoryRoot } from './shared.js';
import { until } from './until.js';

/** The commands that run until they are told to end, as processes; those that a test leaves are killed. */

const TOKENS = { NORTHQUAY_LIMS_TOKEN: 'simulated', NORTHQUAY_ERP_TOKEN: 'simulated' };
const children: ChildProcess[] = [];

afterEveryTest(() => {
  for (const child of children.splice(0)) child.kill('SIGKILL');
});

export interface DrumlineProcess {
  readonly child: ChildProcess;
  readonly said: { out: string; err: string };
  /** Its exit code; null when a signal ended it. */
  readonly ended: Promise<number | null>;
}

export interface HowToRun {
  readonly env?: Readonly<Record<string, string>>;
  /** Options of node itself. */
  readonly node?: readonly string[];
}

export function runDrumline(args: readonly string[], how: HowToRun = {}): DrumlineProcess {
  const root = repositoryRoot();
  const child = spawn(
    process.execPath,
    [...(how.node ?? []), join(root, 'bin', 'drumline.js'), ...args],
    {
      cwd: root,
      env: { PATH: process.env['PATH'], ...TOKENS, ...how.env },
      stdio: ['ignore', 'pipe', 'pipe'],
    },
  );
  children.push(child);
  const said = { out: '', err: '' };
  child.stdout.on('data', (chunk) => {
    said.out += String(chunk);
  });
  child.stderr.on('data', (chunk) => {
    said.err += String(chunk);
  });
  const ended = once(child, 'exit').then(([code]) => code as number | null);
  return { child, said, ended };
}

/** Waits for the JSON line with which a process says that it is ready. */
export async function readyLine({ child, said }: DrumlineProcess): Promise<Record<string, string>> {
  await until(
    'it says that it is ready',
    () => said.out.includes('\n') || child.exitCode !== null || child.signalCode !== null,
  );
  if (!said.out.includes('\n')) throw new Error(`it ended instead: ${said.err}`);
  return JSON.parse(said.out) as Record<string, string>;
}
