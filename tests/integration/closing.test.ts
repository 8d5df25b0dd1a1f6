import { once } from 'node:events';
import { Agent, type IncomingMessage, request } from 'node:http';
import { connect } from 'node:net';
import { expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { until } from '../support/until.js';

it('a gateway closes although somebody holds a connection open and never speaks', async () => {
  const world = await GatewayWorld.open();
  const { hostname, port } = new URL(world.url);
  const silent = connect(Number(port), hostname);
  await new Promise((resolve) => silent.once('connect', resolve));
  const hungUp = new Promise((resolve) => silent.once('close', resolve));
  silent.on('error', () => undefined);
  await world.close();
  await hungUp;
  expect(silent.destroyed).toBe(true);
});

it('a gateway that closes answers what it is asked and keeps no connection for another question', async () => {
  const world = await GatewayWorld.open();
  const dock = new Dock(world);
  const receipt = receiptOf(1);
  await dock.announce(receipt);
  dock.measure(EAST[0], receipt, 'D1-01');
  const { bytes } = dock.pack(EAST[0]);
  const asked = request(new URL('/api/v1/bundles', world.url), {
    method: 'POST',
    agent: new Agent({ keepAlive: true }),
    headers: {
      authorization: `Bearer ${world.key}`,
      'content-type': 'application/json',
      'content-length': bytes.length,
      'idempotency-key': '"k"',
      expect: '100-continue',
    },
  });
  asked.flushHeaders();
  await once(asked, 'continue');
  const closing = world.close();
  await until('it takes no connection any more', () => refuses(world.url));
  asked.end(bytes);
  const [answer] = (await once(asked, 'response')) as [IncomingMessage];
  answer.resume();
  await closing;
  expect(answer.statusCode).toBe(202);
  expect(answer.headers.connection).toBe('close');
});

async function refuses(url: string): Promise<boolean> {
  const { hostname, port } = new URL(url);
  const socket = connect(Number(port), hostname);
  const isOpen = await once(socket, 'connect').then(
    () => true,
    () => false,
  );
  socket.destroy();
  return !isOpen;
}

it('a gateway that closes at once settles and delivers what it had taken when it starts again', async () => {
  const world = await GatewayWorld.open();
  const dock = new Dock(world);
  const receipt = receiptOf(1);
  await dock.announce(receipt);
  const id = dock.measure(EAST[0], receipt, 'D1-01');
  const bundle = dock.pack(EAST[0]);
  expect((await world.postBundle(bundle.bytes, 'k')).status).toBe(202);
  await world.restart();
  await world.quiet();
  const held = world.lims.ledger.books.messages.map((m) => [m.messageType, m.content.includes(id)]);
  expect(held).toEqual([['result', true]]);
  await world.close();
});
