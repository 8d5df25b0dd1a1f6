import { connect } from 'node:net';
import { expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

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
