import { connect, type Socket } from 'node:net';
import { setTimeout as pause } from 'node:timers/promises';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** Senders who announce large bodies and hold back the rest: what they take up is bounded before the last byte is here. */

const MIB = 1024 * 1024;
/** What Northquay takes, and so much of it that one key may send at once. */
const BUNDLE_BYTES = 32 * MIB;
const OF_ONE_KEY = 4;
const receipt = receiptOf(1);

let world: GatewayWorld;
let dock: Dock;
const open: Held[] = [];

interface Held {
  readonly socket: Socket;
  readonly answer: () => string;
  /** The connection was ended by the gateway. */
  readonly isOver: () => boolean;
}

beforeAll(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
  await dock.announce(receipt);
}, 120_000);

afterEach(async () => {
  for (const { socket } of open.splice(0)) socket.destroy();
  await untilFree(world.key);
});

afterAll(() => world.close());

/** Sends a head, and only as much of the body as is given. */
function hold(key: string, headers: Readonly<Record<string, string>>, body = '', path = BUNDLES) {
  const { hostname, port } = new URL(world.url);
  const socket = connect(Number(port), hostname);
  let answer = '';
  let isOver = false;
  socket.on('data', (chunk) => {
    answer += chunk.toString('utf8');
  });
  socket.on('error', () => undefined);
  socket.on('close', () => {
    isOver = true;
  });
  const head = {
    host: 'localhost',
    authorization: `Bearer ${key}`,
    'content-type': 'application/json',
    'idempotency-key': `"held-${open.length}-${performance.now()}"`,
    ...headers,
  };
  const lines = Object.entries(head).map(([name, value]) => `${name}: ${value}`);
  socket.write(`POST ${path} HTTP/1.1\r\n${lines.join('\r\n')}\r\n\r\n${body}`);
  const held = { socket, answer: () => answer, isOver: () => isOver };
  open.push(held);
  return held;
}

const BUNDLES = '/api/v1/bundles';
const stated = (bytes: number) => ({ 'content-length': String(bytes) });
const sync = (name: string) => world.createKey(name, { scopes: ['bundle:write'] });

/** Holds bodies until the gateway lets in no more of the key: which were answered, and how. */
async function fill(key: string, count: number, headers: Readonly<Record<string, string>>) {
  const held = Array.from({ length: count }, () => hold(key, headers));
  await world.until('the last of them is answered', () => held.some((one) => one.isOver()));
  return held;
}

const statusOf = ({ answer }: Held) => answer().split(' ')[1] ?? 'none';

/** Waits until a whole share of bodies is let in at once, and hangs up on them. */
async function untilFree(key: string): Promise<void> {
  await world.until('all that was held is given back', async () => {
    const all = Array.from({ length: OF_ONE_KEY }, () => hold(key, stated(BUNDLE_BYTES)));
    await pause(100);
    for (const { socket } of all) socket.destroy();
    return all.every((one) => one.answer() === '');
  });
}

describe('a key whose bodies stop half-way', () => {
  it.each([
    ['stated', stated(BUNDLE_BYTES)],
    ['not stated, so that each counts as the longest', { 'transfer-encoding': 'chunked' }],
  ])('has its share and no more, their length %s', async (how, headers) => {
    const key = await sync(`holds ${how}`);
    const held = await fill(key, OF_ONE_KEY + 1, headers);
    expect(held.map(statusOf).sort()).toEqual(['429', ...Array(OF_ONE_KEY).fill('none')]);
    const refused = held.find((one) => one.isOver());
    expect(refused?.answer()).toMatch(/\r\nretry-after: 5\r\n/i);
    expect(refused?.answer()).toMatch(/\r\nconnection: close\r\n/i);
    expect(refused?.answer()).toContain('"code":"body-share-used"');
    expect(refused?.answer()).toContain('application/problem+json');
  });

  it('keeps nobody else out, and two of them leave room for what is small', async () => {
    const [one, other] = [await sync('one'), await sync('other')];
    await fill(one, OF_ONE_KEY + 1, stated(BUNDLE_BYTES));
    dock.measure(EAST[0], receipt, 'D1-01');
    const { bytes } = dock.pack(EAST[0]);
    expect((await world.postBundle(bytes, 'beside')).status).toBe(202);
    await fill(other, OF_ONE_KEY + 1, stated(BUNDLE_BYTES));
    const third = await fill(await sync('third'), 1, stated(BUNDLE_BYTES));
    expect(third.map(statusOf)).toEqual(['503']);
    expect(third[0]?.answer()).toContain('"code":"body-no-room"');
    expect(third[0]?.answer()).toMatch(/\r\nretry-after: 5\r\n/i);
    expect(await sync('made meanwhile')).not.toBe('');
  });

  it('has it again once they are gone, given up, refused or answered', async () => {
    const key = await sync('again');
    for (const begun of ['', '{', 'x'.repeat(100_000)]) {
      const held = await fill(key, OF_ONE_KEY + 1, stated(BUNDLE_BYTES));
      for (const { socket } of held) socket.write(begun, () => socket.destroy());
      await untilFree(key);
    }
    const unread = (i: number) =>
      world.http({
        path: BUNDLES,
        key,
        headers: { 'content-type': 'application/json', 'idempotency-key': `"unread-${i}"` },
        body: `{"n":${i}}${' '.repeat(BUNDLE_BYTES / 2)}`,
      });
    // Those that were hung up on last may not be given back yet.
    await world.until('the first is let in', async () => (await unread(0)).status !== 429);
    for (let i = 1; i < 3 * OF_ONE_KEY; i += 1) expect((await unread(i)).status).toBe(422);
  });
});

it('an announcement counts in the same share', async () => {
  const key = await world.createKey('announces', { scopes: ['expectation:write'] });
  const headers = { ...stated(64 * MIB), 'content-type': 'text/csv' };
  const held = Array.from({ length: 3 }, () => hold(key, headers, '', '/api/v1/expectations'));
  await world.until('one is answered', () => held.some((one) => one.isOver()));
  expect(held.map(statusOf).sort()).toEqual(['429', 'none', 'none']);
});
