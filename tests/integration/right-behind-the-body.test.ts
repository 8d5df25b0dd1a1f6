import { connect } from 'node:net';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { type Browser, makePerson, signIn } from '../support/signed-in.js';

/** A sender who holds back the last byte of a body, while what they may do is taken from them. */

const JSON_BODY = { 'content-type': 'application/json' };
const FORM_BODY = { 'content-type': 'application/x-www-form-urlencoded' };
const HOST = 'localhost';
const receipt = receiptOf(1);

let world: GatewayWorld;
let dock: Dock;

beforeAll(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
  await makePerson(world, 'sim.administrator', ['administrator']);
}, 120_000);

afterAll(() => world.close());

/** Sends everything but the last byte; `end` sends that too, and returns the status of the answer. */
function hold(path: string, headers: Readonly<Record<string, string>>, body: string) {
  const { hostname, port } = new URL(world.url);
  const socket = connect(Number(port), hostname);
  let answer = '';
  socket.on('data', (chunk) => {
    answer += chunk.toString('utf8');
  });
  const head = [
    `POST ${path} HTTP/1.1`,
    `host: ${HOST}`,
    `content-length: ${Buffer.byteLength(body)}`,
    ...Object.entries(headers).map(([name, value]) => `${name}: ${value}`),
  ];
  socket.write(`${head.join('\r\n')}\r\n\r\n${body.slice(0, -1)}`);
  return {
    end: async (): Promise<number> => {
      socket.write(body.slice(-1));
      await world.until('it is answered', () => answer.includes('\r\n\r\n'));
      socket.destroy();
      return Number(answer.split(' ')[1]);
    },
  };
}

/** The same as a signed-in person; returns once the gateway has looked at who they are. */
async function holdAs(
  browser: Browser,
  account: string,
  ask: { path: string; headers: Readonly<Record<string, string>>; body: string },
) {
  const sessions = world.db.selectFrom('session').select('seen_at');
  const seenAt = async () =>
    (await sessions.where('account_id', '=', account).executeTakeFirstOrThrow()).seen_at;
  // A sign-in is noted once a minute: by that its session says that the request was let in.
  const longAgo = addMs(await seenAt(), -120_000);
  await world.write((db) =>
    db.updateTable('session').set({ seen_at: longAgo }).where('account_id', '=', account).execute(),
  );
  const held = hold(
    ask.path,
    {
      cookie: browser.cookie,
      origin: `http://${HOST}`,
      'sec-fetch-site': 'same-origin',
      'x-form-token': browser.token,
      ...ask.headers,
    },
    ask.body,
  );
  await world.until('the request is let in', async () => (await seenAt()) > longAgo);
  return held;
}

function tell(path: string, body: Record<string, unknown>): Promise<HttpAnswer> {
  const ask = { path: `/api/v1/${path}`, key: world.controlToken, headers: JSON_BODY };
  return world.http({ ...ask, body: JSON.stringify(body) });
}

async function userNames(): Promise<string[]> {
  const rows = await world.db.selectFrom('account').select('user_name').execute();
  return rows.map((row) => row.user_name).sort();
}

describe('who is no administrator any more when the last byte comes', () => {
  const person = { userName: 'sim.late', printedName: 'Late (simulated)', password: PASSWORD };

  it.each([
    {
      how: 'as JSON',
      who: 'sim.dismissed',
      path: '/api/v1/people',
      headers: JSON_BODY,
      body: () => JSON.stringify({ ...person, roles: ['administrator'], operatorIds: [] }),
    },
    {
      how: 'as a form',
      who: 'sim.dismissed.too',
      path: '/people',
      headers: FORM_BODY,
      body: (token: string) =>
        new URLSearchParams({
          'form-token': token,
          'user-name': person.userName,
          'printed-name': person.printedName,
          role: 'administrator',
          'operator-ids': '',
        }).toString(),
    },
  ])('makes nobody, $how', async ({ who, path, headers, body }) => {
    const account = await makePerson(world, who, ['administrator']);
    const browser = await signIn(world, who);
    const before = await userNames();
    const held = await holdAs(browser, account, { path, headers, body: body(browser.token) });
    const ended = await tell(`people/${who}/deactivate`, { reason: 'dismissed' });
    expect(ended.status).toBe(200);
    expect(await held.end()).toBe(401);
    expect(await userNames()).toEqual(before);
  });
});

it('who lost a role meanwhile does nothing by it', async () => {
  await dock.announce(receipt);
  const account = await makePerson(world, 'sim.receiver', ['receiver']);
  const browser = await signIn(world, 'sim.receiver');
  const held = await holdAs(browser, account, {
    path: `/api/v1/receipts/${receipt.id}/cancel`,
    headers: { ...JSON_BODY, 'idempotency-key': '"late"', 'if-match': '*' },
    body: JSON.stringify({ reason: 'not wanted (simulated)' }),
  });
  const changed = await tell('people/sim.receiver/roles', { roles: ['viewer'], reason: 'moved' });
  expect(changed.status).toBe(200);
  expect(await held.end()).toBe(403);
  const { status } = await world.db
    .selectFrom('receipt')
    .select('status')
    .where('id', '=', receipt.id)
    .executeTakeFirstOrThrow();
  expect(status).toBe('open');
});

it('a key that was revoked meanwhile hands nothing over, and its bundle is taken from another', async () => {
  const secret = await world.createKey('sync', { scopes: ['bundle:write'] });
  dock.measure(EAST[0], receipt, 'D1-01');
  const { bytes } = dock.pack(EAST[0]);
  const headers = { ...JSON_BODY, 'idempotency-key': '"late"' };
  const text = Buffer.from(bytes).toString('utf8');
  const ask = { ...headers, authorization: `Bearer ${secret}` };
  const held = hold('/api/v1/bundles', ask, text);
  const { json } = await world.http({ path: '/api/v1/keys', key: world.controlToken });
  const key = (json['keys'] as { id: string; name: string }[]).find((k) => k.name === 'sync');
  await world.until('the request is let in', async () => {
    const used = await world.db
      .selectFrom('audit_entry')
      .select('id')
      .where('action', '=', 'key.used')
      .where('subject_id', '=', key?.id ?? '')
      .execute();
    return used.length > 0;
  });
  const path = `/api/v1/keys/${key?.id}?reason=leaked`;
  const revoked = await world.http({ path, method: 'DELETE', key: world.controlToken });
  expect(revoked.status).toBe(200);
  expect(await held.end()).toBe(401);
  expect(await world.db.selectFrom('bundle').select('id').execute()).toEqual([]);
  const again = await world.postBundle(text, 'late');
  expect([again.status, again.json['first']]).toEqual([202, true]);
});
