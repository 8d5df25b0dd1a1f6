import { type ChildProcess, execFileSync, spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { connect } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Redis } from 'ioredis';
import { describe, expect, test } from 'vitest';
import { freePort } from './free-port.js';
import { until } from './until.js';

/**
 * A Redis server of the test's own, on a free port and without a file. It can be killed, stopped and
 * started again at the same address, empty.
 */
export class OwnRedis {
  readonly #directory = mkdtempSync(join(tmpdir(), 'drumline-redis-'));
  #process: ChildProcess | null = null;
  #client: Redis | null = null;

  private constructor(
    readonly port: number,
    private readonly settings: readonly string[],
  ) {}

  static async start(...settings: string[]): Promise<OwnRedis> {
    const redis = new OwnRedis(await freePort(), settings);
    await redis.start();
    return redis;
  }

  /** Nothing listens there until it is started. */
  static async prepare(...settings: string[]): Promise<OwnRedis> {
    return new OwnRedis(await freePort(), settings);
  }

  get url(): string {
    return `redis://127.0.0.1:${this.port}`;
  }

  /** What stands in the server, seen by somebody else. */
  get client(): Redis {
    if (this.#client === null) {
      this.#client = new Redis(this.url, { maxRetriesPerRequest: null });
      // It is killed on purpose; what asks it waits until it is there again.
      this.#client.on('error', () => undefined);
    }
    return this.#client;
  }

  async start(): Promise<void> {
    const where = ['--port', String(this.port), '--bind', '127.0.0.1', '--dir', this.#directory];
    const child = spawn(
      'redis-server',
      [...where, '--save', '', '--appendonly', 'no', ...this.settings],
      { stdio: 'ignore' },
    );
    this.#process = child;
    await until('Redis answers', () => answers(this.port));
  }

  async kill(): Promise<void> {
    const child = this.#process;
    this.#process = null;
    if (!child || child.exitCode !== null || child.signalCode !== null) return;
    const ended = once(child, 'exit');
    child.kill('SIGKILL');
    await ended;
  }

  /** Holds the process, so that connections stand and nothing answers; `SIGCONT` lets it go on. */
  signal(signal: 'SIGSTOP' | 'SIGCONT'): void {
    this.#process?.kill(signal);
  }

  async end(): Promise<void> {
    this.#client?.disconnect();
    await this.kill();
    rmSync(this.#directory, { recursive: true, force: true });
  }
}

/** Where `redis-server` is absent the block shows up as not run; with `CI=true` that is a failure. */
export function describeWithRedis(name: string, define: () => void): void {
  if (hasRedisServer()) {
    describe(name, define);
    return;
  }
  const mustExist = process.env['CI'] === 'true';
  describe(`${name} (redis-server is absent)`, () => {
    test.skipIf(!mustExist)('has a Redis server', () => {
      expect.fail('redis-server is absent, and CI=true requires it');
    });
  });
}

function hasRedisServer(): boolean {
  try {
    execFileSync('redis-server', ['--version'], { stdio: 'ignore' });
    return true;
  } catch {
    return false;
  }
}

/** Any answer will do: a server that wants a password says so. */
async function answers(port: number): Promise<boolean> {
  const socket = connect(port, '127.0.0.1');
  try {
    socket.write('PING\r\n');
    await once(socket, 'data');
    return true;
  } catch {
    // Nobody listens yet.
    return false;
  } finally {
    socket.destroy();
  }
}
