import { execFileSync, spawnSync } from 'node:child_process';
import {
  cpSync,
  existsSync,
  mkdirSync,
  readFileSync,
  statSync,
  symlinkSync,
  writeFileSync,
} from 'node:fs';
import { dirname, join } from 'node:path';
import { describe, expect, it, test } from 'vitest';
import { parse } from 'yaml';
import { readSettings } from '../../src/config.js';
import { repositoryRoot } from '../support/shared.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** What can be known of the container files without a container engine; nothing here builds or runs one. */

const root = repositoryRoot();
const read = (name: string) => readFileSync(join(root, name), 'utf8');
/** Commented and continued lines taken out: one instruction a line. */
const instructions = read('Dockerfile')
  .replaceAll(/^#.*\n/gm, '')
  .replaceAll(/\\\n\s*/g, '')
  .split('\n')
  .filter((line) => line !== '');
const stages = stagesOf(instructions);
const [build = [], last = []] = stages;

interface Service {
  readonly image?: string;
  readonly build?: string;
  readonly command?: readonly string[];
  readonly environment?: Readonly<Record<string, string>>;
  readonly env_file?: readonly string[];
  readonly volumes?: readonly string[];
  readonly ports?: readonly string[];
  readonly secrets?: readonly string[];
  readonly networks?: readonly string[];
  readonly healthcheck?: { readonly test: readonly string[] };
  readonly depends_on?: Readonly<Record<string, { readonly condition: string }>>;
  readonly user?: string;
  readonly tmpfs?: readonly string[];
  readonly stop_grace_period?: string;
  readonly container_name?: string;
}

const compose = parse(read('docker-compose.yml'), { merge: true }) as {
  readonly services: Readonly<Record<string, Service>>;
  readonly secrets: Readonly<Record<string, { readonly file: string }>>;
  readonly volumes: Readonly<Record<string, null>>;
  readonly networks: Readonly<Record<string, { readonly internal?: boolean } | null>>;
};
const service = (name: string): Service => compose.services[name] ?? {};

function stagesOf(lines: readonly string[]): string[][] {
  const found: string[][] = [];
  for (const line of lines) {
    if (line.startsWith('FROM ')) found.push([]);
    found.at(-1)?.push(line);
  }
  return found;
}

function argumentsOf(stage: readonly string[], instruction: string): string[] {
  return stage
    .filter((line) => line.startsWith(`${instruction} `))
    .map((line) => line.slice(instruction.length + 1).trim());
}

/** `ENV A=b C=d` as a record. */
function environmentOf(stage: readonly string[]): Record<string, string> {
  const pairs = argumentsOf(stage, 'ENV').flatMap((line) => line.split(/\s+/));
  return Object.fromEntries(pairs.map((pair) => pair.split('=') as [string, string]));
}

/** What a stage copies from the repository: sources and the folder or file they become. */
function copied(stage: readonly string[]): { source: string; to: string }[] {
  return argumentsOf(stage, 'COPY')
    .filter((line) => !line.startsWith('--from='))
    .flatMap((line) => {
      const names = line.split(/\s+/);
      const to = names.pop() ?? '';
      return names.map((source) => ({ source, to }));
    });
}

describe('the image', () => {
  it('is built in one stage and runs in another, both pinned to the same version of Node', () => {
    expect(stages).toHaveLength(2);
    const [from = '', fromLast = ''] = stages.map((stage) => argumentsOf(stage, 'FROM')[0] ?? '');
    const [, version] = /^node:(20\.\d+\.\d+)-bookworm AS build$/.exec(from) ?? [];
    expect(version).toBeDefined();
    expect(fromLast).toBe(`node:${version}-bookworm-slim`);
  });

  it('holds no compiler, no package of development and no secret in its last stage', () => {
    expect(last.join('\n')).not.toMatch(/apt-get|npm (ci|install|rebuild)|gcc|python/);
    expect(build.join('\n')).toContain('npm prune --omit=dev');
    expect(instructions.join('\n')).not.toMatch(/TOKEN|PASSWORD|ARG /);
  });

  it('runs as a user without rights, who owns the data volume', () => {
    expect(argumentsOf(last, 'USER')).toEqual(['node']);
    expect(argumentsOf(last, 'VOLUME')).toEqual([environmentOf(last)['DRUMLINE_DATA']]);
    expect(argumentsOf(last, 'RUN')).toEqual(['mkdir /data && chown node:node /data']);
  });

  it('sets only what the configuration knows, and listens where it says', () => {
    const { NODE_ENV, ...settings } = environmentOf(last);
    expect(NODE_ENV).toBe('production');
    expect(readSettings(settings)).toMatchObject({ host: '0.0.0.0', port: 7070 });
    expect(argumentsOf(last, 'EXPOSE')).toEqual(['7070']);
  });

  it('asks the health route of the service, at the port of a gateway or of a worker', () => {
    const [, exec = '[]'] = /CMD (\[.*\])$/.exec(argumentsOf(last, 'HEALTHCHECK')[0] ?? '') ?? [];
    const [node, flag, script = ''] = JSON.parse(exec) as string[];
    expect([node, flag]).toEqual(['node', '-e']);
    expect(script).toContain('/health/live');
    expect(read('src/health.controller.ts')).toMatch(
      /@Controller\('health'\)[\s\S]*@Get\('live'\)/,
    );
    const asks = (env: Record<string, string>) =>
      spawnSync(process.execPath, ['-e', script], { env, timeout: 10_000 }).status;
    // Nobody listens there: it runs, asks and says so.
    expect(asks({ DRUMLINE_PORT: '1' })).toBe(1);
  });

  it('copies only what is there, and the ignored files leave all of it in', () => {
    const kept = read('.dockerignore')
      .split('\n')
      .filter((line) => line.startsWith('!'))
      .map((line) => line.slice(1));
    const sources = new Set(stages.flatMap((stage) => copied(stage).map(({ source }) => source)));
    for (const source of sources) expect(existsSync(join(root, source)), source).toBe(true);
    expect([...sources].sort()).toEqual([...kept].sort());
  });

  it('starts from what it copies and the packages of production alone', () => {
    const image = temporaryDirectory();
    for (const { source, to } of copied(last)) place(join(root, source), join(image, to), source);
    // Both come from the first stage: the build, and the packages without those of development.
    cpSync(join(root, 'dist'), join(image, 'dist'), { recursive: true });
    linkProductionPackages(join(image, 'node_modules'));
    const [, script = ''] = JSON.parse(argumentsOf(last, 'ENTRYPOINT')[0] ?? '[]') as string[];
    const run = (...args: string[]) =>
      // Without the flag a linked package would find its own dependencies beside where it really lies.
      spawnSync(
        process.execPath,
        ['--preserve-symlinks', join(image, script.replace('/app/', '')), ...args],
        {
          cwd: image,
          encoding: 'utf8',
          env: { PATH: process.env['PATH'] },
          timeout: 20_000,
        },
      );
    expect(run('--help').stdout).toMatch(/serve .*\n[\s\S]*work /);
    // All of the service is loaded, down to its database and the schemas, before a secret is missed.
    const started = run('serve', '--data', join(image, 'data'), '--port', '0');
    expect(started.stderr).toContain('secret-missing');
    expect(started.status).toBe(2);
    const checked = run('mapping', 'check', '--site-folder', 'mappings/northquay');
    expect(checked.status, checked.stderr).toBe(0);
  });
});

/** As COPY does: a file into a folder, or a folder's content to the place named. */
function place(from: string, to: string, name: string): void {
  const target = to.endsWith('/') ? join(to, statSync(from).isDirectory() ? '' : name) : to;
  mkdirSync(dirname(target), { recursive: true });
  cpSync(from, target, { recursive: true });
}

function linkProductionPackages(to: string): void {
  const found = spawnSync('npm', ['ls', '--omit=dev', '--all', '--parseable'], {
    cwd: root,
    encoding: 'utf8',
  }).stdout.split('\n');
  const names = new Set(
    found.flatMap((path) => /node_modules\/((?:@[^/]+\/)?[^/]+)$/.exec(path)?.[1] ?? []),
  );
  for (const name of names) {
    const from = join(root, 'node_modules', name);
    if (!existsSync(from)) continue;
    mkdirSync(dirname(join(to, name)), { recursive: true });
    symlinkSync(from, join(to, name));
  }
}

/** Both name files that are in the container only. */
function withoutAddresses(environment: Readonly<Record<string, string>>) {
  const { DATABASE_URL: _database, REDIS_URL: _redis, ...rest } = environment;
  return rest;
}

describe('the composed services', () => {
  test('the gateway only serves, and workers only work, any number of them', () => {
    expect(service('gateway').command).toEqual(['serve', '--no-work']);
    expect(service('worker').command).toEqual(['work']);
    for (const { command } of [service('gateway'), service('worker')]) {
      const [name = '', ...flags] = command ?? [];
      const help = execFileSync(process.execPath, [join(root, 'bin/drumline.js'), name, '--help'], {
        encoding: 'utf8',
      });
      for (const flag of flags) expect(help).toContain(flag);
    }
    expect(service('worker').ports).toBeUndefined();
    expect(service('worker').container_name).toBeUndefined();
    expect(service('worker').environment?.['DRUMLINE_HEALTH_PORT']).toBe('7071');
  });

  test.each(['gateway', 'worker'])('the %s gets settings that the configuration takes', (name) => {
    const secrets = temporaryDirectory();
    const example = {
      'database-url': 'postgres://u:p@postgres/d',
      'redis-url': 'redis://:p@redis',
    };
    const env = Object.fromEntries(
      Object.entries({ ...environmentOf(last), ...service(name).environment }).map(
        ([key, value]) => [key, value.replace('/run/secrets/', `${secrets}/`)],
      ),
    );
    for (const [file, text] of Object.entries(example)) {
      expect(service(name).secrets).toContain(file);
      writeFileSync(join(secrets, file), `${text}\n`, { mode: 0o600 });
    }
    const { databaseUrl, redisUrl, siteFolderDirectory } = readSettings(env);
    expect({ databaseUrl, redisUrl }).toEqual({
      databaseUrl: example['database-url'],
      redisUrl: example['redis-url'],
    });
    const mount = service(name).volumes?.find((v) => v.includes(`:${siteFolderDirectory}:ro`));
    expect(existsSync(join(root, mount?.split(':')[0] ?? 'nowhere', 'site.yaml'))).toBe(true);
  });

  test('those that seal have the key of the trail, and all of them see its checkpoints', () => {
    const trailOf = (name: string) =>
      readSettings(withoutAddresses(service(name).environment ?? {})).trail;
    expect(trailOf('gateway').keyFile).toBeNull();
    expect(service('gateway').secrets).not.toContain('trail-key');
    expect(trailOf('worker').keyFile).toBe('/run/secrets/trail-key');
    expect(service('worker').secrets).toContain('trail-key');
    for (const [name, mode] of [
      ['gateway', ':ro'],
      ['worker', ''],
    ] as const) {
      const { checkpointFolder } = trailOf(name);
      expect(service(name).volumes).toContain(`./checkpoints:${checkpointFolder}${mode}`);
    }
    expect(read('.gitignore')).toContain('/checkpoints/\n');
  });

  test('wait until both stores are healthy, and end in more time than the service takes', () => {
    const stores = {
      postgres: { condition: 'service_healthy' },
      redis: { condition: 'service_healthy' },
    };
    expect(service('gateway').depends_on).toEqual(stores);
    // What the gateway finds of a database that was put back is found before a worker sends anything.
    expect(service('worker').depends_on).toEqual({
      ...stores,
      gateway: { condition: 'service_healthy' },
    });
    for (const name of ['gateway', 'worker']) {
      expect(Number.parseInt(service(name).stop_grace_period ?? '', 10)).toBeGreaterThan(50);
    }
    for (const name of ['postgres', 'redis']) {
      expect(service(name).healthcheck?.test.length, name).toBeGreaterThan(0);
    }
  });

  test.each(['gateway', 'worker'])('the %s keeps what it remembers of the database', (name) => {
    const folder = environmentOf(last)['DRUMLINE_DATA'] ?? '';
    const mount = service(name).volumes?.find((volume) => volume.endsWith(`:${folder}`));
    expect(compose.volumes).toHaveProperty([mount?.split(':')[0] ?? 'none']);
    expect(service(name).tmpfs?.filter((mounted) => mounted.startsWith(folder))).toEqual([]);
  });

  test('have a PostgreSQL and a Redis that fit', () => {
    const version = (name: string) => /:(\d+)/.exec(service(name).image ?? '')?.[1];
    expect(Number(version('postgres'))).toBeGreaterThanOrEqual(15);
    expect(Number(version('redis'))).toBeGreaterThanOrEqual(7);
    const redis = service('redis').command?.join(' ') ?? '';
    expect(redis).toContain('--maxmemory-policy noeviction');
    expect(redis).toContain('--appendonly yes');
    expect(service('redis').user).toBe('redis');
  });

  test('name only secrets, volumes and networks that are declared, and hold no secret themselves', () => {
    for (const [name, { secrets, volumes, networks }] of Object.entries(compose.services)) {
      for (const secret of secrets ?? []) expect(compose.secrets, name).toHaveProperty([secret]);
      for (const network of networks ?? []) expect(compose.networks).toHaveProperty([network]);
      for (const volume of volumes ?? []) {
        const [source = ''] = volume.split(':');
        if (!source.startsWith('.')) expect(compose.volumes).toHaveProperty([source]);
      }
    }
    const files = Object.values(compose.secrets).map(({ file }) => file);
    for (const file of [...files, ...(service('gateway').env_file ?? [])]) {
      expect(file).toMatch(/^\.\/secrets\//);
    }
    expect(read('.gitignore')).toContain('secrets/\n');
    const stores = ['postgres', 'redis'].flatMap((name) => service(name).networks ?? []);
    expect([...new Set(stores)]).toEqual(['ground']);
    expect(compose.networks['ground']?.internal).toBe(true);
  });
});
