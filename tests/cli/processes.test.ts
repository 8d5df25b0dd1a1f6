import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { createServer } from 'node:net';
import { join } from 'node:path';
import { afterEach, describe, expect, it, test } from 'vitest';
import { repositoryRoot } from '../support/shared.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { until } from '../support/until.js';

/** The commands that run until they are told to end, as processes. */

const TOKENS = { NORTHQUAY_LIMS_TOKEN: 'simulated', NORTHQUAY_ERP_TOKEN: 'simulated' };
const DATABASE_URL = 'postgres://nobody@127.0.0.1:1/drumline';
const REDIS_URL = 'redis://127.0.0.1:1';
const children: ChildProcess[] = [];

afterEach(() => {
  for (const child of children.splice(0)) child.kill('SIGKILL');
});

interface Running {
  readonly child: ChildProcess;
  readonly said: { out: string; err: string };
  readonly ended: Promise<number | null>;
}

function drumline(args: readonly string[], env: Record<string, string> = {}): Running {
  const root = repositoryRoot();
  const child = spawn(process.execPath, [join(root, 'bin', 'drumline.js'), ...args], {
    cwd: root,
    env: { PATH: process.env['PATH'], ...TOKENS, ...env },
    stdio: ['ignore', 'pipe', 'pipe'],
  });
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

function serve(...more: string[]): Running {
  const data = join(temporaryDirectory(), 'data');
  return drumline(['serve', '--data', data, '--port', '0', '--json', ...more]);
}

describe('processes that share the work', () => {
  test.each([
    ['work', []],
    ['serve --no-work', ['--port', '0']],
  ])('`drumline %s` refuses SQLite, with the remedy', async (command, more) => {
    const { said, ended } = drumline([...command.split(' '), ...more]);
    expect(await ended).toBe(2);
    expect(said.err).toContain('pair-in-one-process');
    expect(said.err).toContain(`\`drumline ${command}\``);
    expect(said.err).toContain('set `DATABASE_URL` and `REDIS_URL`');
    expect(said.out).toBe('');
  });

  test.each([
    ['serve', { DATABASE_URL }],
    ['serve', { REDIS_URL }],
    ['work', { DATABASE_URL }],
    ['key list', { REDIS_URL }],
  ])('`drumline %s` refuses half a pair: %j', async (command, env) => {
    const { said, ended } = drumline(command.split(' '), env);
    expect(await ended).toBe(2);
    expect(said.err).toContain('pair-incomplete');
  });
});

describe('drumline serve', () => {
  it('says in one JSON line that it listens, and ends by SIGTERM in good order', async () => {
    const { child, said, ended } = serve();
    await until('it listens', () => said.out.includes('\n'));
    const { event, url } = JSON.parse(said.out) as Record<string, string>;
    expect(event).toBe('listening');
    expect((await fetch(`${url}/health/ready`)).status).toBe(200);
    child.kill('SIGTERM');
    expect(await ended).toBe(0);
    await expect(fetch(`${url}/health/ready`)).rejects.toThrow();
  });

  it('ends with a reason when its port is taken, and works for nobody', async () => {
    const other = createServer().listen(0, '127.0.0.1');
    await once(other, 'listening');
    const address = other.address();
    const port = typeof address === 'object' ? String(address?.port) : '';
    const { said, ended } = serve('--port', port);
    expect(await ended).toBe(2);
    expect(said.err).toContain('another program listens there already');
    other.close();
  });
});
