import { afterEach, beforeEach, expect, it } from 'vitest';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { asks, type Browser, makePerson, sends, signIn } from '../support/signed-in.js';

/** A period closed on the page, a result that comes late, its addendum, and what LIMS hears of both. */

const [FIRST, SECOND] = EAST;
const receipt = receiptOf(1);
const HOUR_MS = 3_600_000;

let world: GatewayWorld;
let dock: Dock;
let signer: Browser;

beforeEach(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'sam', ['signer']);
  await makePerson(world, 'vic', ['viewer']);
  await dock.announce(receipt);
  signer = await signIn(world, 'sam');
});

afterEach(async () => {
  await world.close();
});

/** What LIMS holds about periods, in the order it came. */
function atLims(): Record<string, unknown>[] {
  return world.lims.ledger.books.messages
    .filter((m) => m.messageType === 'period')
    .map((m) => JSON.parse(m.content) as Record<string, unknown>);
}

function digestOn(page: string): string {
  const found = /name="shown" value="([0-9a-f]{64})"/.exec(page)?.[1];
  if (found === undefined) throw new Error(`no digest to sign on ${page}`);
  return found;
}

const signing = (shown: string, reason: string) => ({
  shown,
  reason,
  userName: 'sam',
  password: PASSWORD,
});

it('rule 30: is signed as shown, told to LIMS once and in order, and gets a late result as addendum 1', async () => {
  dock.measure(FIRST, receipt, 'D1-01');
  const late = dock.measure(SECOND, receipt, 'D1-02', {
    at: addMs(world.clock.now(), -HOUR_MS / 2),
  });
  await dock.sync(FIRST);
  await world.quiet();
  const now = world.clock.now();
  const ends = { from: formatInstant(addMs(now, -2 * HOUR_MS)), to: formatInstant(now) };
  const path = `/periods/close?${new URLSearchParams(ends)}`;

  const reader = await signIn(world, 'vic');
  const look = await asks(world, path, reader);
  expect(look.text).toContain('container D1-02 of receipt nq-1-1 has no accepted result');
  expect(look.text).not.toContain('name="shown"');
  expect((await sends(world, path, reader, signing('0'.repeat(64), 'end of shift'))).status).toBe(
    403,
  );

  const page = await asks(world, path, signer);
  const stale = await sends(world, path, signer, signing('0'.repeat(64), 'end of shift'));
  expect(stale.status).toBe(409);
  expect(digestOn(stale.text)).toBe(digestOn(page.text));
  const unread = await sends(world, path, signer, signing(digestOn(page.text), ''));
  expect(unread.status).toBe(422);
  expect(unread.text).toContain('Nothing was signed');
  const closed = await sends(world, path, signer, signing(digestOn(page.text), 'end of shift'));
  expect(closed.status).toBe(303);
  const address = String(closed.headers['location']).split('?')[0] ?? '';
  await world.until('LIMS has the close', () => atLims().length === 1);
  // Closed again by whoever still has the form open: nothing happens.
  const twice = await sends(world, path, signer, signing(digestOn(page.text), 'end of shift'));
  expect(twice.status).toBe(409);
  expect(twice.text).toContain('shares time with the period closed');

  await dock.sync(SECOND);
  await world.quiet();
  await world.until('the addendum is open', async () =>
    (await asks(world, address, signer)).text.includes('addendum 1 is open'),
  );
  // What is signed is what was shown: what the late sync changed is compared to its end first.
  await world.until('all changes are compared', async () => {
    const marks = await world.db.selectFrom('comparison_mark').select('n').execute();
    return marks.length === 0;
  });
  const opened = await asks(world, address, signer);
  expect(opened.text).toContain(`result ${late}, container D1-02 of receipt nq-1-1, is accepted`);
  expect((await asks(world, '/periods', signer)).text).toContain('Sign addendum 1');
  expect(atLims()).toHaveLength(1);

  const addendum = signing(digestOn(opened.text), 'the second handheld synced late');
  expect((await sends(world, `${address}/addenda/1`, signer, addendum)).status).toBe(303);
  await world.until('LIMS has the addendum', () => atLims().length === 2);
  await world.quiet();
  const id = decodeURIComponent(address.slice('/periods/'.length));
  expect(atLims()).toMatchObject([
    { kind: 'close', revision: '1', periodId: id, carriedOver: expect.any(Number), changes: 0 },
    {
      kind: 'addendum',
      revision: '2',
      periodId: id,
      addendum: 1,
      closedBy: 'Person sam (simulated)',
    },
  ]);
  expect(String(atLims()[1]?.['changed'])).toContain(`result ${late}`);
  expect(world.erp.ledger.books.messages.some((m) => m.messageType === 'period')).toBe(false);

  const shown = await asks(world, address, signer);
  expect(shown.text).toContain('the second handheld synced late');
  for (const format of ['json', 'csv', 'html', 'pdf']) {
    const file = await asks(world, `${address}/document?format=${format}`, signer);
    expect([format, file.status]).toEqual([format, 200]);
    expect(file.headers['content-disposition']).toContain(`.${format}"`);
  }
  const api = await world.http({ path: `/api/v1/periods/${id}` });
  expect(api.json).toMatchObject({
    signature: { printedName: 'Person sam (simulated)', reason: 'end of shift' },
    addenda: [{ number: 1, signature: { reason: 'the second handheld synced late' } }],
    deliveries: [
      { destination: 'lims', revision: 1, state: 'confirmed' },
      { destination: 'lims', revision: 2, state: 'confirmed' },
    ],
  });
}, 60_000);

it('says on the list what may not be closed, and why', async () => {
  const list = await asks(world, '/periods', signer);
  expect(list.status).toBe(200);
  expect(list.text).toContain('not over');
  const today = /<time dateTime="(\d{4}-\d{2}-\d{2})">|<time datetime="(\d{4}-\d{2}-\d{2})">/.exec(
    list.text,
  );
  const day = today?.[1] ?? today?.[2] ?? '';
  const unfinished = await asks(world, `/periods/close?from=${day}&to=${day}`, signer);
  expect(unfinished.status).toBe(422);
  expect(unfinished.text).toContain('is not over');
  const wrong = await asks(world, '/periods/close?from=yesterday&to=', signer);
  expect(wrong.status).toBe(422);
  expect(wrong.text).toContain('value="yesterday"');
  expect((await asks(world, '/periods?before=never', signer)).status).toBe(400);
  expect((await asks(world, '/periods/none', signer)).status).toBe(404);
});
