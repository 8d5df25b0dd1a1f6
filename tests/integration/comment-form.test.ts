import { afterEach, expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { asks, makePerson, sends, signIn } from '../support/signed-in.js';

let world: GatewayWorld;

afterEach(() => world.close());

function sentAsOf(page: string): string {
  return /name="sentAs" value="([^"]+)"/.exec(page)?.[1] ?? '';
}

it('a form that is sent twice is one comment, and with other words it is asked for once more', async () => {
  world = await GatewayWorld.open();
  const dock = new Dock(world);
  dock.measure(EAST[0], receiptOf(1), 'D1-01');
  await dock.sync(EAST[0]);
  const open = async () =>
    (await world.http({ path: '/api/v1/discrepancies?state=open' })).json['items'] as {
      id: string;
    }[];
  await world.until(
    'a result of no receipt is a discrepancy',
    async () => (await open()).length > 0,
  );
  const id = (await open())[0]?.id ?? '';
  await makePerson(world, 'sim.administrator', ['administrator']);
  await makePerson(world, 'sim.reviewer', ['reviewer']);
  const browser = await signIn(world, 'sim.reviewer');
  const path = `/discrepancies/${id}`;
  const sentAs = sentAsOf((await asks(world, path, browser)).text);
  expect(sentAs).not.toBe('');
  const form = { sentAs, text: 'asked the dock', reference: '' };
  const both = await Promise.all([1, 2].map(() => sends(world, path, browser, form)));
  expect(both.map(({ status }) => status)).toEqual([303, 303]);
  const other = await sends(world, path, browser, { ...form, text: 'asked the supplier' });
  expect(other.status).toBe(422);
  expect(other.text).toContain('nothing was added now');
  expect(other.text).toContain('asked the supplier');
  const again = sentAsOf(other.text);
  expect([sentAs, '']).not.toContain(again);
  const more = { ...form, sentAs: again, text: 'asked the supplier' };
  expect((await sends(world, path, browser, more)).status).toBe(303);
  const { json } = await world.http({ path: `/api/v1${path}` });
  const history = json['history'] as { text: string }[];
  expect(history.slice(1).map(({ text }) => text)).toEqual([
    'asked the dock',
    'asked the supplier',
  ]);
});
