import { type ChildProcess, fork } from 'node:child_process';

const STDERR_KEPT = 2_000;

/** A process of ours that works on what came from outside. */
export interface BareProcess {
  readonly child: ChildProcess;
  /** The end of what it wrote to stderr so far. */
  lastWords(): string;
}

/**
 * Starts a compiled file as a process with a channel to this one, and with no environment: what comes from outside has no
 * business with secrets, nor has the process that works on it.
 */
export function startBare(file: string, args: readonly string[] = []): BareProcess {
  const child = fork(file, args, {
    env: {},
    execArgv: [],
    serialization: 'advanced',
    stdio: ['ignore', 'ignore', 'pipe', 'ipc'],
  });
  let lastWords = '';
  child.stderr?.on('data', (chunk: Buffer) => {
    lastWords = `${lastWords}${chunk.toString('utf8')}`.slice(-STDERR_KEPT);
  });
  return { child, lastWords: () => lastWords };
}
