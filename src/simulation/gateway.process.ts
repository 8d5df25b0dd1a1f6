import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { appendFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

const EXECUTABLE = fileURLToPath(new URL('../../bin/drumline.js', import.meta.url));
const START_DEADLINE_MS = 20_000;
const STOP_DEADLINE_MS = 8000;

export interface GatewayProcess {
  readonly url: string;
  /** Resolves with a sentence once the process ended without being asked to. */
  readonly died: Promise<string>;
  stop(): Promise<void>;
}

/** The gateway ended before it listened; it has said why itself, so no stack helps. */
export class GatewayNotStarted extends Error {
  constructor(complaints: readonly string[]) {
    super(`the gateway did not start:\n${complaints.join('\n')}`);
    this.name = 'GatewayNotStarted';
  }
}

export interface GatewayStart {
  readonly dataDirectory: string;
  readonly siteFolderDirectory: string;
  readonly watchDirectory: string;
  readonly port: string;
  readonly environment: NodeJS.ProcessEnv;
  /** Ends the process when aborted, also while it starts. */
  readonly signal: AbortSignal;
  /** File that the gateway's log is appended to. */
  readonly logFile: string;
}

type CommandPlace = Pick<
  GatewayStart,
  'dataDirectory' | 'siteFolderDirectory' | 'environment' | 'signal'
>;

/** Creates an API key as an administrator does, with the command that comes with the gateway. */
export async function createKey(
  start: CommandPlace,
  options: { readonly site: string; readonly name: string; readonly scopes: readonly string[] },
): Promise<string> {
  return runCommand(start, 'key', [
    ...['key', 'create', '--site', options.site, '--name', options.name],
    ...['--scope', ...options.scopes],
  ]);
}

/** Makes a person's account with the command that comes with the gateway; returns the initial password. */
export async function createPerson(
  start: CommandPlace,
  person: { readonly userName: string; readonly printedName: string; readonly role: string },
): Promise<string> {
  return runCommand(start, 'initialPassword', [
    ...['user', 'create', person.userName, '--printed-name', person.printedName],
    ...['--role', person.role],
  ]);
}

/** Runs a command on the gateway's data folder; returns a field of the JSON line it prints. */
async function runCommand(
  start: CommandPlace,
  field: string,
  args: readonly string[],
): Promise<string> {
  const child = spawn(
    process.execPath,
    [
      ...[EXECUTABLE, ...args, '--json'],
      ...['--data', start.dataDirectory, '--site-folder', start.siteFolderDirectory],
    ],
    { env: start.environment, stdio: ['ignore', 'pipe', 'pipe'], signal: start.signal },
  );
  child.on('error', ignoreAbort);
  const [output, complaint] = await Promise.all([collect(child.stdout), collect(child.stderr)]);
  const line = output.trim().split('\n').at(-1) ?? '';
  const value = readField(line, field);
  if (value !== null) return value;
  throw new Error(`${args.slice(0, 2).join(' ')}: ${complaint.trim() || line}`);
}

/** Starts the gateway as a process of its own and resolves once it says where it listens. */
export async function startGateway(start: GatewayStart): Promise<GatewayProcess> {
  const child = spawn(
    process.execPath,
    [
      EXECUTABLE,
      'serve',
      ...['--data', start.dataDirectory, '--site-folder', start.siteFolderDirectory],
      ...['--watch', start.watchDirectory, '--port', start.port, '--log-level', 'warn', '--json'],
    ],
    { env: start.environment, stdio: ['ignore', 'pipe', 'pipe'], signal: start.signal },
  );
  child.on('error', ignoreAbort);
  const complaints: string[] = [];
  createInterface({ input: child.stderr }).on('line', (line) => {
    complaints.push(line);
    if (complaints.length > 50) complaints.shift();
    appendFileSync(start.logFile, `${line}\n`);
  });
  const url = await listeningUrl(child);
  if (url === null) {
    child.kill('SIGKILL');
    throw new GatewayNotStarted(complaints);
  }
  let isStopping = false;
  const died = once(child, 'exit').then(([code, signal]) =>
    isStopping ? '' : `the gateway ended by itself (${String(signal ?? code)})`,
  );
  return {
    url,
    died,
    async stop() {
      isStopping = true;
      await stopChild(child);
    },
  };
}

async function listeningUrl(child: ChildProcess): Promise<string | null> {
  if (child.stdout === null) return null;
  const lines = createInterface({ input: child.stdout });
  return new Promise((resolve) => {
    const timer = setTimeout(() => resolve(null), START_DEADLINE_MS);
    const finish = (url: string | null): void => {
      clearTimeout(timer);
      resolve(url);
    };
    lines.on('line', (line) => {
      if (readField(line, 'event') === 'listening') finish(readField(line, 'url'));
    });
    child.once('exit', () => finish(null));
  });
}

async function stopChild(child: ChildProcess): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return;
  const ended = once(child, 'exit');
  child.kill('SIGTERM');
  const timer = setTimeout(() => child.kill('SIGKILL'), STOP_DEADLINE_MS);
  await ended;
  clearTimeout(timer);
}

/** An aborted start reports itself as an error of the child; its exit says all there is to say. */
function ignoreAbort(error: Error): void {
  if (error.name !== 'AbortError') throw error;
}

async function collect(stream: NodeJS.ReadableStream): Promise<string> {
  let text = '';
  for await (const chunk of stream) text += String(chunk);
  return text;
}

function readField(line: string, name: string): string | null {
  try {
    const value = (JSON.parse(line) as Record<string, unknown>)[name];
    return typeof value === 'string' ? value : null;
  } catch {
    // A line of another kind, such as a warning of the runtime.
    return null;
  }
}
