import { execFile } from 'node:child_process';
import {
  chownSync,
  closeSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  openSync,
  readdirSync,
  rmSync,
  writeFileSync,
  writeSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { promisify } from 'node:util';
import pg from 'pg';
import { freePort } from '../../support/free-port.js';
import { until } from '../../support/until.js';

const run = promisify(execFile);
const CONNECTIONS_MAX = 60;
const SMALL_DISK = '256m';
const FILL_BLOCK = Buffer.alloc(1_048_576);
/** Who owns the cluster, and who the gateways are: not a superuser, so that reserved connections are not theirs. */
const OWNER = 'postgres';
export const ROLE = 'drumline';

/** Folder of the server programs: the newest of those installed; null when there is none. */
export function postgresPrograms(): string | null {
  const installed = existsSync('/usr/lib/postgresql') ? readdirSync('/usr/lib/postgresql') : [];
  const folders = [
    ...(process.env['PATH'] ?? '').split(':'),
    ...installed.sort((a, b) => Number(b) - Number(a)).map((v) => `/usr/lib/postgresql/${v}/bin`),
  ];
  return folders.find((folder) => folder !== '' && existsSync(join(folder, 'initdb'))) ?? null;
}

export interface ClusterOptions {
  readonly programs: string;
  /** Library that moves clocks; null where it is absent. */
  readonly fakeTime: string | null;
  readonly logFile: string;
}

/** A PostgreSQL server of the harness's own that may be ended, starved, filled up and told a wrong time. */
export class PostgresCluster {
  /** Why databases are on the large disk, null when a small one could be mounted. */
  whyNoSmallDisk: string | null = null;
  #isRunning = false;
  #isFakingTime = false;
  #turn: Promise<unknown> = Promise.resolve();

  private constructor(
    private readonly options: ClusterOptions,
    private readonly directory: string,
    readonly port: number,
  ) {}

  static async create(options: ClusterOptions): Promise<PostgresCluster> {
    const directory = mkdtempSync(join(tmpdir(), 'drumline-cluster-'));
    const cluster = new PostgresCluster(options, directory, await freePort());
    if (isRoot()) {
      const { uid, gid } = await userOf('postgres');
      chownSync(directory, uid, gid);
      await cluster.#mountSmallDisk(uid, gid);
    } else {
      cluster.whyNoSmallDisk = 'mounting a small disk needs root';
    }
    await cluster.#program('initdb', [
      ...['-D', cluster.#data, '-U', OWNER, '--auth=trust', '-E', 'UTF8', '--locale=C'],
    ]);
    writeFileSync(cluster.clockFile, '+0');
    await cluster.start();
    await cluster.asOwner(`create role ${ROLE} login`);
    if (cluster.whyNoSmallDisk === null) {
      await cluster.asOwner(
        `create tablespace small owner ${ROLE} location '${cluster.#smallDisk}'`,
      );
    }
    return cluster;
  }

  get #data(): string {
    return join(this.directory, 'data');
  }

  get #smallDisk(): string {
    return join(this.directory, 'small');
  }

  /** What it holds is what the server's clock is ahead by, while the server fakes its time. */
  get clockFile(): string {
    return join(this.directory, 'clock');
  }

  urlOf(database: string, port = this.port): string {
    return `postgres://${ROLE}@127.0.0.1:${port}/${database}`;
  }

  async createDatabase(name: string): Promise<void> {
    const where = this.whyNoSmallDisk === null ? ' tablespace small' : '';
    await this.asOwner(`create database ${name} owner ${ROLE}${where}`);
  }

  async dropDatabase(name: string): Promise<void> {
    await this.asOwner(`drop database if exists ${name} with (force)`);
  }

  async asOwner(text: string, database = 'postgres'): Promise<pg.QueryResult> {
    const client = new pg.Client({
      connectionString: `postgres://${OWNER}@127.0.0.1:${this.port}/${database}`,
      connectionTimeoutMillis: 5000,
    });
    client.on('error', () => undefined);
    await client.connect();
    try {
      return await client.query(text);
    } finally {
      await client.end();
    }
  }

  async start(): Promise<void> {
    await this.#inTurn(() => this.#start());
  }

  /** As a crash of the machine leaves it, and at once up again. */
  async restart(): Promise<void> {
    await this.#inTurn(async () => {
      await this.#stop();
      await this.#start();
    });
  }

  /** From the next start on the server's clock goes by the clock file, or by the machine's again. */
  async fakeTime(isFaking: boolean): Promise<void> {
    if (this.#isFakingTime === isFaking) return;
    writeFileSync(this.clockFile, '+0');
    this.#isFakingTime = isFaking;
    await this.restart();
  }

  /** Ends every session of the gateways. */
  async killBackends(): Promise<void> {
    await this.asOwner(
      `select pg_terminate_backend(pid) from pg_stat_activity where usename = '${ROLE}'`,
    );
  }

  /** Takes every connection that is free, ends those of the gateways, and takes theirs too, until released. */
  async exhaust(): Promise<() => Promise<void>> {
    const held: pg.Client[] = [];
    const take = async () => {
      while (held.length < CONNECTIONS_MAX) {
        const client = new pg.Client({ connectionString: this.urlOf('postgres') });
        client.on('error', () => undefined);
        try {
          await client.connect();
        } catch {
          // All are taken.
          return;
        }
        held.push(client);
      }
    };
    await take();
    await this.asOwner(
      `select pg_terminate_backend(pid) from pg_stat_activity
       where usename = '${ROLE}' and datname <> 'postgres'`,
    );
    await take();
    return async () => {
      for (const client of held) await client.end().catch(() => undefined);
    };
  }

  /** Fills the small disk to the last byte; returns how to make room again. */
  fillDisk(): () => void {
    const path = join(this.#smallDisk, 'filler');
    const file = openSync(path, 'w');
    for (const block of [FILL_BLOCK, FILL_BLOCK.subarray(0, 4096)]) {
      try {
        while (writeSync(file, block) === block.length);
      } catch {
        // Full: what is left is less than a block.
      }
    }
    closeSync(file);
    return () => rmSync(path, { force: true });
  }

  async destroy(): Promise<void> {
    await this.#inTurn(() => this.#stop());
    if (existsSync(this.#smallDisk)) await run('umount', [this.#smallDisk]).catch(() => undefined);
    rmSync(this.directory, { recursive: true, force: true });
  }

  async #start(): Promise<void> {
    if (this.#isRunning) return;
    const server = `-p ${this.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories=${this.directory} -c max_connections=${CONNECTIONS_MAX} -c shared_buffers=64MB -c logging_collector=off -c log_line_prefix='%m [%p] '`;
    await until(
      'PostgreSQL starts',
      async () => {
        try {
          await this.#program('pg_ctl', [
            ...['-D', this.#data, '-w', '-t', '30', '-l', join(this.directory, 'log')],
            ...['-o', server, 'start'],
          ]);
          return true;
        } catch (error) {
          // Disk full, or the last one is not gone yet: as its supervisor would, once more.
          writeFileSync(this.options.logFile, `${String(error)}\n`, { flag: 'a' });
          return false;
        }
      },
      60_000,
    );
    this.#isRunning = true;
  }

  async #stop(): Promise<void> {
    if (!this.#isRunning) return;
    this.#isRunning = false;
    await this.#program('pg_ctl', ['-D', this.#data, '-w', '-m', 'immediate', 'stop']).catch(
      (error: unknown) => writeFileSync(this.options.logFile, `${String(error)}\n`, { flag: 'a' }),
    );
  }

  async #program(name: string, args: readonly string[]): Promise<void> {
    const path = join(this.options.programs, name);
    const command = isRoot() ? ['runuser', '-u', 'postgres', '--', path, ...args] : [path, ...args];
    const [first = path, ...rest] = command;
    await run(first, rest, {
      cwd: this.directory,
      env: { ...process.env, ...(this.#isFakingTime ? this.#fakeTimeEnvironment() : {}) },
    });
  }

  #fakeTimeEnvironment(): NodeJS.ProcessEnv {
    return fakeTimeEnvironment(this.options.fakeTime ?? '', this.clockFile);
  }

  async #mountSmallDisk(uid: number, gid: number): Promise<void> {
    mkdirSync(this.#smallDisk);
    const how = `size=${SMALL_DISK},uid=${uid},gid=${gid},mode=0700`;
    try {
      await run('mount', ['-t', 'tmpfs', '-o', how, 'drumline-small', this.#smallDisk]);
    } catch (error) {
      this.whyNoSmallDisk = `mounting a small disk failed (${String(error).split('\n')[1] ?? ''})`;
      rmSync(this.#smallDisk, { recursive: true });
    }
  }

  /** Starting and stopping never overlap, whatever faults do. */
  #inTurn<T>(work: () => Promise<T>): Promise<T> {
    const turn = this.#turn.then(work, work);
    this.#turn = turn.catch(() => undefined);
    return turn;
  }
}

/** Environment of a process whose wall clock goes by a file; its monotonic clock stays true. */
export function fakeTimeEnvironment(library: string, clockFile: string): NodeJS.ProcessEnv {
  return {
    LD_PRELOAD: library,
    FAKETIME_TIMESTAMP_FILE: clockFile,
    FAKETIME_CACHE_DURATION: '1',
    FAKETIME_DONT_FAKE_MONOTONIC: '1',
    DONT_FAKE_MONOTONIC: '1',
  };
}

function isRoot(): boolean {
  return process.getuid?.() === 0;
}

async function userOf(name: string): Promise<{ uid: number; gid: number }> {
  const id = async (flag: string) => Number((await run('id', [flag, name])).stdout);
  return { uid: await id('-u'), gid: await id('-g') };
}
