import { afterAll, beforeAll, expect, it } from 'vitest';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { type Browser, makePerson, signIn } from '../support/signed-in.js';

/** Forms that no page of the gateway sends, but somebody with a session could. */

let world: GatewayWorld;
let browser: Browser;

beforeAll(async () => {
  world = await GatewayWorld.open({ work: false });
  await makePerson(world, 'sim.everything', ['administrator', 'receiver', 'reviewer']);
  browser = await signIn(world, 'sim.everything');
}, 120_000);

afterAll(() => world.close());

function sendRaw(path: string, body: string): Promise<HttpAnswer> {
  return world.http({
    path,
    key: null,
    method: 'POST',
    headers: {
      'content-type': 'application/x-www-form-urlencoded',
      origin: new URL(world.url).origin,
      'sec-fetch-site': 'same-origin',
      accept: 'application/json',
      cookie: browser.cookie,
    },
    body: `form-token=${browser.token}&${body}`,
  });
}

it.each([
  ['/announce', 'receiptId=R-9&containers=D-%FF1&step=look', 'containers: expected'],
  ['/announce', 'receiptId=R-9&containers=D-%FE1&step=look', 'containers: expected'],
  ['/announce', 'receiptId=R-9&receiptId=R-8&step=look', 'receiptId: expected once'],
  ['/receipts/R-9/review', 'act=sign&reason=a&reason=b', 'reason: expected once'],
  ['/people', 'user-name=a&user-name=b&role=viewer', 'user-name: expected once'],
  ['/sign-in', 'user-name=a&user-name=b&password=c', 'user-name: expected once'],
  ['/people/sim.everything/operators', 'role=viewer&role=signer', 'role: expected once'],
])('%s with %s is refused', async (path, body, detail) => {
  const { status, json } = await sendRaw(path, body);
  expect([status, json['code']]).toEqual([400, 'query-invalid']);
  expect(json['detail']).toContain(detail);
});

it('a role may be given more than once, and so may a delivery', async () => {
  const who = 'user-name=sim.two&printed-name=Two+(simulated)&operator-ids=';
  const made = await sendRaw('/people', `${who}&role=viewer&role=signer`);
  expect(made.status).toBe(201);
  const { json } = await world.http({ path: '/api/v1/people', key: world.controlToken });
  const people = json['people'] as { userName: string; roles: string[] }[];
  expect(people.find((p) => p.userName === 'sim.two')?.roles).toEqual(['signer', 'viewer']);
  const taken = await sendRaw('/deliveries', 'act=resend&reason=a&delivery=a+1&delivery=b+2');
  expect(taken.text).not.toContain('expected once');
});
