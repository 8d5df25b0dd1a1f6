import { isIP } from 'node:net';
import { resolve } from 'node:path';
import { readSecret } from './access/secrets.files.js';
import { Misconfigured } from './errors.js';
import type { SecretReference } from './site/site-folder.js';

/**
 * Every setting of a gateway, read once at the start and frozen. Nothing else in the service looks at the
 * environment, except secrets, which are resolved by reference through `readSecret`.
 */
export interface Settings {
  /** Folder that holds the SQLite database, its lock and the control file. */
  readonly dataDirectory: string;
  /** Address of a PostgreSQL database; null for SQLite in the data folder. Holds a password: never logged. */
  readonly databaseUrl: string | null;
  /** Address of the Redis of the queue, set exactly when `databaseUrl` is. Holds a password: never logged. */
  readonly redisUrl: string | null;
  readonly siteFolderDirectory: string;
  readonly host: string;
  /** 0 takes a free port. */
  readonly port: number;
  /** Folder watched for bundles; null when none is. */
  readonly watchDirectory: string | null;
  readonly logLevel: 'fatal' | 'error' | 'warn' | 'info' | 'debug' | 'silent';
  /** Threads for parsing, checking and building records. */
  readonly poolThreads: number;
  /** Port at which a process without HTTP says whether it is live and ready; null when it does not. */
  readonly healthPort: number | null;
  /** Files of the certificate chain and its key, PEM; null for plain HTTP. */
  readonly tls: { readonly certFile: string; readonly keyFile: string } | null;
  /** Addresses of proxies in front, whose X-Forwarded-For and X-Forwarded-Proto are believed. */
  readonly trustedProxies: readonly string[];
  readonly trail: TrailSettings;
}

/** How checkpoints of the trail are signed and where they go. */
export interface TrailSettings {
  /** File of the private key; null leaves checkpoints unsigned. */
  readonly keyFile: string | null;
  /** File of the key before, or `lost`: for the one start that changes the key. */
  readonly keyBeforeFile: string | null;
  /** Write-once folder outside the database; null when there is none. */
  readonly checkpointFolder: string | null;
  readonly checkpointEveryMs: number;
  readonly checkpointEveryEntries: number;
}

export interface SettingOverrides {
  readonly data?: string | undefined;
  readonly siteFolder?: string | undefined;
  readonly host?: string | undefined;
  readonly port?: string | undefined;
  readonly watch?: string | undefined;
  readonly logLevel?: string | undefined;
  readonly poolThreads?: string | undefined;
  readonly healthPort?: string | undefined;
  readonly tlsCert?: string | undefined;
  readonly tlsKey?: string | undefined;
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
  DRUMLINE_HEALTH_PORT: '',
  DRUMLINE_TLS_CERT: '',
  DRUMLINE_TLS_KEY: '',
  DRUMLINE_TRUSTED_PROXY: '',
  DRUMLINE_TRAIL_KEY: '',
  DRUMLINE_TRAIL_KEY_BEFORE: '',
  DRUMLINE_CHECKPOINT_FOLDER: '',
  DRUMLINE_CHECKPOINT_MINUTES: '5',
  DRUMLINE_CHECKPOINT_ENTRIES: '1000',
} as const;

/** Forms of the addresses that make the server pair. */
const PROTOCOLS = {
  DATABASE_URL: ['postgres:', 'postgresql:'],
  REDIS_URL: ['redis:', 'rediss:'],
} as const;

const LOG_LEVELS = ['fatal', 'error', 'warn', 'info', 'debug', 'silent'] as const;

/** The process environment; the only place that reads it. */
export function processEnvironment(): EnvironmentVariables {
  return process.env;
}

/**
 * Reads settings: options of the command first, then the environment, then the default.
 *
 * @throws Misconfigured `configuration-invalid` naming the setting, what was found and what is allowed;
 *   `pair-incomplete` when only one half of the server pair is set.
 */
export function readSettings(
  env: EnvironmentVariables,
  overrides: SettingOverrides = {},
): Settings {
  refuseUnknown(env);
  const value = (name: keyof typeof DEFAULTS, override: string | undefined) =>
    override ?? env[name] ?? DEFAULTS[name];
  const filled = (name: keyof typeof DEFAULTS, override: string | undefined) =>
    notEmpty(name, value(name, override));
  const watch = value('DRUMLINE_WATCH', overrides.watch);
  const healthPort = value('DRUMLINE_HEALTH_PORT', overrides.healthPort);
  return Object.freeze({
    dataDirectory: resolve(filled('DRUMLINE_DATA', overrides.data)),
    ...readPair(env),
    siteFolderDirectory: resolve(filled('DRUMLINE_SITE_FOLDER', overrides.siteFolder)),
    host: filled('DRUMLINE_HOST', overrides.host),
    port: wholeNumber('DRUMLINE_PORT', value('DRUMLINE_PORT', overrides.port), 0, 65_535),
    watchDirectory: watch === '' ? null : resolve(watch),
    logLevel: oneOf(
      'DRUMLINE_LOG_LEVEL',
      value('DRUMLINE_LOG_LEVEL', overrides.logLevel),
      LOG_LEVELS,
    ),
    poolThreads: wholeNumber(
      'DRUMLINE_POOL_THREADS',
      value('DRUMLINE_POOL_THREADS', overrides.poolThreads),
      1,
      64,
    ),
    healthPort:
      healthPort === '' ? null : wholeNumber('DRUMLINE_HEALTH_PORT', healthPort, 0, 65_535),
    trail: readTrail((name) => value(name, undefined)),
    tls: readTls(
      value('DRUMLINE_TLS_CERT', overrides.tlsCert),
      value('DRUMLINE_TLS_KEY', overrides.tlsKey),
    ),
    trustedProxies: readAddresses(
      'DRUMLINE_TRUSTED_PROXY',
      value('DRUMLINE_TRUSTED_PROXY', undefined),
    ),
  });
}

function readTls(cert: string, key: string): Settings['tls'] {
  if (cert === '' && key === '') return null;
  if (cert !== '' && key !== '') return { certFile: resolve(cert), keyFile: resolve(key) };
  const [set, missing] = cert === '' ? ['KEY', 'CERT'] : ['CERT', 'KEY'];
  throw new Misconfigured('configuration-invalid', {
    found: `DRUMLINE_TLS_${set} is set and DRUMLINE_TLS_${missing} is not`,
  });
}

/** Addresses, not networks: whoever may speak for others is named one by one. */
function readAddresses(name: string, text: string): readonly string[] {
  const addresses = text.split(',').map((one) => one.trim());
  if (text.trim() === '') return [];
  const bad = addresses.find((one) => isIP(one) === 0);
  if (bad === undefined) return addresses;
  throw new Misconfigured('configuration-invalid', {
    found: `${name}: ${JSON.stringify(bad)}, expected addresses between commas, such as 10.0.0.5`,
  });
}

function readTrail(value: (name: keyof typeof DEFAULTS) => string): TrailSettings {
  const path = (name: keyof typeof DEFAULTS) => (value(name) === '' ? null : resolve(value(name)));
  const number = (name: keyof typeof DEFAULTS, max: number) =>
    wholeNumber(name, value(name), 1, max);
  const before = value('DRUMLINE_TRAIL_KEY_BEFORE');
  return Object.freeze({
    keyFile: path('DRUMLINE_TRAIL_KEY'),
    keyBeforeFile: before === KEY_LOST ? KEY_LOST : path('DRUMLINE_TRAIL_KEY_BEFORE'),
    checkpointFolder: path('DRUMLINE_CHECKPOINT_FOLDER'),
    checkpointEveryMs: number('DRUMLINE_CHECKPOINT_MINUTES', MINUTES_A_DAY) * 60_000,
    checkpointEveryEntries: number('DRUMLINE_CHECKPOINT_ENTRIES', 1_000_000),
  });
}

/** In place of a file: the key before cannot be had any more. */
const KEY_LOST = 'lost';
const MINUTES_A_DAY = 1_440;

function refuseUnknown(env: EnvironmentVariables): void {
  for (const name of Object.keys(env)) {
    if (name.startsWith('DRUMLINE_') && !(name in DEFAULTS)) {
      throw new Misconfigured('configuration-invalid', {
        found: `${name}, which is no setting (known: ${Object.keys(DEFAULTS).join(', ')})`,
      });
    }
  }
}

/**
 * Says which pair a process is to run on.
 *
 * @throws Misconfigured `pair-in-one-process` when it is SQLite, which cannot be shared.
 */
export function requireServerPair(settings: Settings, command: string): void {
  if (settings.redisUrl !== null) return;
  throw new Misconfigured('pair-in-one-process', {
    found: `\`${command}\` without DATABASE_URL and REDIS_URL`,
  });
}

function readPair(env: EnvironmentVariables): Pick<Settings, 'databaseUrl' | 'redisUrl'> {
  const databaseUrl = address('DATABASE_URL', env);
  const redisUrl = address('REDIS_URL', env);
  if ((databaseUrl === null) === (redisUrl === null)) return { databaseUrl, redisUrl };
  const [set, missing] =
    redisUrl === null ? ['DATABASE_URL', 'REDIS_URL'] : ['REDIS_URL', 'DATABASE_URL'];
  throw new Misconfigured('pair-incomplete', { found: `${set} is set and ${missing} is not` });
}

/** An address holds a password, so it may stand in a file instead: `file:/run/secrets/database-url`. */
function address(name: keyof typeof PROTOCOLS, env: EnvironmentVariables): string | null {
  const given = env[name];
  if (given === undefined || given === '') return null;
  const text = given.startsWith('file:') ? readSecret(given as SecretReference, env) : given;
  const protocols: readonly string[] = PROTOCOLS[name];
  if (protocols.includes(protocolOf(text))) {
    // A password with a slash ends the host there, and what is left of it would be shown as a path.
    if (!/@/.test(new URL(text).pathname)) return text;
    throw new Misconfigured('configuration-invalid', {
      found: `${name} has an @ behind its host: a password in it must be percent-encoded (/ as %2F, @ as %40)`,
    });
  }
  throw new Misconfigured('configuration-invalid', {
    // Whatever it is, it may hold a password.
    found: `${name} is no address of the form ${protocols.map((p) => `${p}//…`).join(' or ')} (or \`file:\` and the path of a file that holds one)`,
  });
}

function protocolOf(text: string): string {
  try {
    return new URL(text).protocol;
  } catch {
    // Not an address at all.
    return '';
  }
}

/** An empty host would be every address of the machine, an empty folder the one that the process happens to stand in. */
function notEmpty(name: keyof typeof DEFAULTS, text: string): string {
  if (text.trim() !== '') return text;
  throw new Misconfigured('configuration-invalid', {
    found: `${name} is set and empty; unset it for ${DEFAULTS[name]}`,
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
