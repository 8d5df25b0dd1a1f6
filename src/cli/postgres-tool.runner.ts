import { execFile, spawn } from 'node:child_process';
import { once } from 'node:events';
import type { ErrorCode } from '../error-registry.js';
import { Misconfigured } from '../errors.js';
import { toolAddress } from '../storage/postgres-address.js';

type Environment = Readonly<Record<string, string | undefined>>;

/** A program of PostgreSQL as it was found. */
export interface PostgresTool {
  readonly name: ToolName;
  readonly path: string;
  /** As it says it, such as `15.4`. */
  readonly version: string;
  readonly major: number;
}

type ToolName = 'pg_dump' | 'pg_restore';

/** Settings that name a program where it is not on PATH. */
const NAMED_BY = { pg_dump: 'PG_DUMP', pg_restore: 'PG_RESTORE' } as const;
const ENDING = ['SIGINT', 'SIGTERM'] as const;
const VERSION_MS = 10_000;
/** Of what a program complained about, the end is kept. */
const COMPLAINTS_MAX = 4_000;

/**
 * Finds a program on PATH, or where `PG_DUMP` or `PG_RESTORE` says.
 *
 * @throws Misconfigured `backup-tool-missing` when it cannot be run or is another program
 */
export async function findPostgresTool(name: ToolName, env: Environment): Promise<PostgresTool> {
  const named = env[NAMED_BY[name]];
  const path = named === undefined || named === '' ? name : named;
  const from = path === name ? 'on PATH' : `named by ${NAMED_BY[name]}`;
  const said = await new Promise<string>((resolve, reject) => {
    const options = { env: childEnvironment(env, null), timeout: VERSION_MS };
    execFile(path, ['--version'], options, (error, stdout, stderr) => {
      if (error === null) resolve(stdout.trim());
      else {
        const why = error.code === 'ENOENT' ? 'there is none' : stderr.trim() || error.message;
        reject(missing(`${path} (${from}): ${why}`));
      }
    });
  });
  const [, version, major] = /\(PostgreSQL\) ((\d+)\S*)/.exec(said) ?? [];
  if (version === undefined || !said.startsWith(name)) {
    throw missing(`${path} (${from}) says ${JSON.stringify(said.slice(0, 100))}, expected ${name}`);
  }
  return { name, path, version, major: Number(major) };
}

/** @throws Misconfigured `backup-tool-missing` when the program is of an earlier major version than `needed` */
export function refuseOlderTool(
  tool: PostgresTool,
  needed: { readonly major: number; readonly because: string },
): void {
  if (tool.major >= needed.major) return;
  throw missing(
    `${tool.path} is version ${tool.version}, ${needed.because}: expected ${needed.major} or later`,
  );
}

/**
 * Runs a program against a database. The address goes without its password, which only the child's environment
 * holds.
 *
 * @throws Misconfigured of `code` with what the program complained about, when it did not end well
 */
export async function runPostgresTool(
  tool: PostgresTool,
  options: {
    readonly url: string;
    readonly arguments: readonly string[];
    readonly env: Environment;
    readonly code: ErrorCode;
  },
): Promise<void> {
  const { dbname, password } = toolAddress(options.url);
  const child = spawn(tool.path, ['--no-password', `--dbname=${dbname}`, ...options.arguments], {
    env: childEnvironment(options.env, password),
    stdio: ['ignore', 'ignore', 'pipe'],
  });
  let complaints = '';
  child.stderr.setEncoding('utf8').on('data', (text: string) => {
    complaints = (complaints + text).slice(-COMPLAINTS_MAX);
  });
  // Whoever ends this process ends what it started, and half a file is cleared away.
  const end = () => child.kill('SIGTERM');
  for (const signal of ENDING) process.on(signal, end);
  try {
    const [code, signal] = (await once(child, 'close')) as [number | null, string | null];
    if (code === 0) return;
    throw new Misconfigured(options.code, {
      found: `${tool.name} ended with ${code ?? signal}: ${complaints.trim() || 'it said nothing'}`,
    });
  } finally {
    for (const signal of ENDING) process.off(signal, end);
  }
}

/** What these programs read, and no secret of the service's own. */
function childEnvironment(env: Environment, password: string | null): NodeJS.ProcessEnv {
  const passed = Object.entries(env).filter(
    ([name]) => /^PG(?!_)[A-Z]+$/.test(name) || ['PATH', 'HOME', 'TMPDIR', 'TZ'].includes(name),
  );
  return {
    ...Object.fromEntries(passed),
    LC_ALL: 'C',
    ...(password === null ? {} : { PGPASSWORD: password }),
  };
}

function missing(found: string): Misconfigured {
  return new Misconfigured('backup-tool-missing', { found });
}
