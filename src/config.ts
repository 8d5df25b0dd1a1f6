import { resolve } from 'node:path';
import { Misconfigured } from './errors.js';

/**
 * Every setting of a gateway, read once at the start and frozen. Nothing else in the service looks at the
 * environment, except secrets, which are resolved by reference through `readSecret`.
 */
export interface Settings {
  /** Folder that holds the SQLite database, its lock and the control file. */
  readonly dataDirectory: string;
  /** Address of a PostgreSQL database; null for SQLite in the data folder. Holds a password: never logged. */
  readonly databaseUrl: string | null;
  readonly siteFolderDirectory: string;
  readonly host: string;
  /** 0 takes a free port. */
  readonly port: number;
  /** Folder watched for bundles; null when none is. */
  readonly watchDirectory: string | null;
  readonly logLevel: 'fatal' | 'error' | 'warn' | 'info' | 'debug' | 'silent';
  /** Threads for parsing, checking and building records. */
  readonly poolThreads: number;
}

export interface SettingOverrides {
  readonly data?: string | undefined;
  readonly siteFolder?: string | undefined;
  readonly host?: string | undefined;
  readonly port?: string | undefined;
  readonly watch?: string | undefined;
  readonly logLevel?: string | undefined;
}

type EnvironmentVariables = Readonly<Record<string, string | undefined>>;

/** Names and defaults, in one place a person can read. */
const DEFAULTS = {
  DRUMLINE_DATA: '.drumline/data',
  DRUMLINE_SITE_FOLDER: 'mappings/northquay',
  DRUMLINE_HOST: '127.0.0.1',
  DRUMLINE_PORT: '7070',
  DRUMLINE_WATCH: '',
  DRUMLINE_LOG_LEVEL: 'info',
  DRUMLINE_POOL_THREADS: '1',
} as const;

const LOG_LEVELS = ['fatal', 'error', 'warn', 'info', 'debug', 'silent'] as const;

/** The process environment; the only place that reads it. */
export function processEnvironment(): EnvironmentVariables {
  return process.env;
}

/**
 * Reads settings: options of the command first, then the environment, then the default.
 *
 * @throws Misconfigured `configuration-invalid` naming the setting, what was found and what is allowed.
 */
export function readSettings(
  env: EnvironmentVariables,
  overrides: SettingOverrides = {},
): Settings {
  refuseUnknown(env);
  refuseMixedPair(env);
  const value = (name: keyof typeof DEFAULTS, override: string | undefined) =>
    override ?? env[name] ?? DEFAULTS[name];
  const watch = value('DRUMLINE_WATCH', overrides.watch);
  return Object.freeze({
    dataDirectory: resolve(value('DRUMLINE_DATA', overrides.data)),
    databaseUrl: env['DATABASE_URL'] || null,
    siteFolderDirectory: resolve(value('DRUMLINE_SITE_FOLDER', overrides.siteFolder)),
    host: value('DRUMLINE_HOST', overrides.host),
    port: wholeNumber('DRUMLINE_PORT', value('DRUMLINE_PORT', overrides.port), 0, 65_535),
    watchDirectory: watch === '' ? null : resolve(watch),
    logLevel: oneOf(
      'DRUMLINE_LOG_LEVEL',
      value('DRUMLINE_LOG_LEVEL', overrides.logLevel),
      LOG_LEVELS,
    ),
    poolThreads: wholeNumber(
      'DRUMLINE_POOL_THREADS',
      value('DRUMLINE_POOL_THREADS', undefined),
      1,
      64,
    ),
  });
}

function refuseUnknown(env: EnvironmentVariables): void {
  for (const name of Object.keys(env)) {
    if (name.startsWith('DRUMLINE_') && !(name in DEFAULTS)) {
      throw new Misconfigured('configuration-invalid', {
        found: `${name}, which is no setting (known: ${Object.keys(DEFAULTS).join(', ')})`,
      });
    }
  }
}

/** Two pairs are supported: SQLite with the queue in the process, PostgreSQL with Redis. */
function refuseMixedPair(env: EnvironmentVariables): void {
  const names = ['DATABASE_URL', 'REDIS_URL'];
  const [set, ...more] = names.filter((name) => env[name]);
  if (set === undefined || more.length > 0) return;
  const missing = names.find((name) => name !== set);
  throw new Misconfigured('configuration-invalid', {
    found: `${set} is set and ${missing} is not; set both for PostgreSQL and Redis, or neither for SQLite and the queue in the process`,
  });
}

function wholeNumber(name: string, text: string, min: number, max: number): number {
  const value = Number(text);
  if (!/^\d+$/.test(text) || value < min || value > max) {
    throw new Misconfigured('configuration-invalid', {
      found: `${name}=${JSON.stringify(text)}, expected a whole number from ${min} to ${max}`,
    });
  }
  return value;
}

function oneOf<T extends string>(name: string, text: string, allowed: readonly T[]): T {
  const found = allowed.find((a) => a === text);
  if (found === undefined) {
    throw new Misconfigured('configuration-invalid', {
      found: `${name}=${JSON.stringify(text)}, expected one of ${allowed.join(', ')}`,
    });
  }
  return found;
}
