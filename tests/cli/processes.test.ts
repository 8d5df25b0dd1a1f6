import { once } from 'node:events';
import { createServer } from 'node:net';
import { join } from 'node:path';
import { describe, expect, it, test } from 'vitest';
import { type DrumlineProcess, readyLine, runDrumline } from '../support/drumline-process.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** The commands that run until they are told to end, as processes. */

const DATABASE_URL = 'postgres://nobody@127.0.0.1:1/drumline';
const REDIS_URL = 'redis://127.0.0.1:1';
function serve(...more: string[]): DrumlineProcess {
  const data = join(temporaryDirectory(), 'data');
  return runDrumline(['serve', '--data', data, '--port', '0', '--json', ...more]);
}

describe('processes that share the work', () => {
  test.each([
    ['work', []],
    ['serve --no-work', ['--port', '0']],
  ])('`drumline %s` refuses SQLite, with the remedy', async (command, more) => {
    const { said, ended } = runDrumline([...command.split(' '), ...more]);
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
    const { said, ended } = runDrumline(command.split(' '), { env });
    expect(await ended).toBe(2);
    expect(said.err).toContain('pair-incomplete');
  });
});

describe('two gateways on one data folder', () => {
  it('the second is refused while the first goes on, and starts at once when that one was killed', async () => {
    const data = join(temporaryDirectory(), 'data');
    const first = serve('--data', data);
    const { url } = await readyLine(first);
    const second = serve('--data', data);
    expect(await second.ended).toBe(2);
    expect(second.said.err).toContain('database-in-use');
    expect(second.said.err).toContain(data);
    expect((await fetch(`${url}/health/ready`)).status).toBe(200);
    first.child.kill('SIGKILL');
    await first.ended;
    expect(await readyLine(serve('--data', data))).toMatchObject({ event: 'listening' });
  });
});

describe('drumline serve', () => {
  it('says in one JSON line that it listens, and ends by SIGTERM in good order', async () => {
    const gateway = serve();
    const { child, ended } = gateway;
    const { event, url } = await readyLine(gateway);
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
