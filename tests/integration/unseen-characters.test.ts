import { afterAll, beforeAll, expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { asks, type Browser, makePerson, signIn } from '../support/signed-in.js';

/** A container was scanned whose label reads like another one's: a direction mark turns what stands behind it around. */

const [FIRST] = EAST;
const receipt = receiptOf(1);
const SCANNED = 'D1-0\u202e1\u200b';
const WRITTEN = 'D1-0\\u{202E}1\\u{200B}';
const UNSEEN = /\p{Cf}/u;

let world: GatewayWorld;
let browser: Browser;
let rowId: string;

beforeAll(async () => {
  world = await GatewayWorld.open({ secondPerson: true });
  const dock = new Dock(world);
  await makePerson(world, 'sim.administrator', ['administrator']);
  await makePerson(world, 'sim.reviewer', ['reviewer', 'signer', 'viewer']);
  await dock.announce(receipt);
  await dock.measureAll(receipt);
  const resultId = dock.measure(FIRST, receipt, SCANNED, { holds: 'naphthalene' });
  await dock.sync(FIRST);
  await world.quiet();
  ({ id: rowId } = await world.db
    .selectFrom('result')
    .select('id')
    .where('result_id', '=', resultId)
    .executeTakeFirstOrThrow());
  browser = await signIn(world, 'sim.reviewer');
}, 240_000);

afterAll(() => world.close());

it.each([
  ['of the day', () => '/'],
  ['of the receipt', () => `/receipts/${receipt.id}`],
  ['of the result', () => `/review/${rowId}`],
  ['of its cause', () => `/review/${rowId}/cause`],
  ['of where it belongs', () => `/attributions/results/${rowId}`],
  ['of discrepancies', () => '/discrepancies'],
  ['of what has its name', () => `/trace?term=${encodeURIComponent(SCANNED)}`],
  ['of the trail', () => '/trail'],
])('the page %s shows no character that is not seen', async (_page, path) => {
  const { status, text } = await asks(world, path(), browser);
  expect(status).toBe(200);
  // What stands in a field is what is sent again: it stays as it was typed.
  const shown = text.replaceAll(/ value="[^"]*"/g, '');
  expect(shown.match(/.{0,60}\p{Cf}.{0,20}/gu)).toBeNull();
});

it.each([
  ['of the receipt', () => `/receipts/${receipt.id}`],
  ['of the result', () => `/review/${rowId}`],
  ['of where it belongs', () => `/attributions/results/${rowId}`],
  ['of discrepancies', () => '/discrepancies'],
])('the page %s writes them out', async (_page, path) => {
  const { text } = await asks(world, path(), browser);
  expect(text).toContain(WRITTEN);
});

it.each(['html', 'text'])('the report as %s writes them out', async (format) => {
  const { text } = await world.http({ path: `/api/v1/reconciliation?format=${format}` });
  expect([UNSEEN.test(text), text.includes(WRITTEN)]).toEqual([false, true]);
});

it('the report as JSON and CSV holds the label as it was scanned', async () => {
  for (const format of ['json', 'csv']) {
    const { text } = await world.http({ path: `/api/v1/reconciliation?format=${format}` });
    expect(text, format).toContain(SCANNED);
  }
});
