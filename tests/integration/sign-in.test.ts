import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import {
  asks,
  type Browser,
  cookieOf,
  makePerson,
  sends,
  signIn,
  submit,
  trySignIn,
} from '../support/signed-in.js';

/** What people, and whoever has their cookies and keys, can get wrong, against the whole wired gateway. */

const OTHER = 'eleven kettles on a grey pier';

let world: GatewayWorld;

beforeAll(async () => {
  world = await GatewayWorld.open({ work: false });
  await makePerson(world, 'ada', ['administrator']);
});

afterAll(() => world.close());

async function trailOf(accountId: string): Promise<string[]> {
  const rows = await world.db
    .selectFrom('audit_entry')
    .select(['action', 'reason', 'actor_kind', 'actor', 'source'])
    .where('subject_id', '=', accountId)
    .orderBy('at')
    .execute();
  return rows.map((row) => `${row.action}${row.reason === null ? '' : `: ${row.reason}`}`);
}

function expectOver(answer: HttpAnswer, why: string): void {
  expect([answer.status, answer.json['code'], answer.json['detail']]).toEqual([
    401,
    'session-over',
    why,
  ]);
  expect(String(answer.headers['set-cookie'])).toMatch(/^__Host-drumline=; Max-Age=0/);
}

describe('a cookie that is used again', () => {
  it('after its sign-out', async () => {
    const id = await makePerson(world, 'out', ['viewer']);
    const browser = await signIn(world, 'out');
    expect((await asks(world, '/', browser)).status).toBe(200);
    expect((await sends(world, '/sign-out', browser)).status).toBe(303);
    expectOver(await asks(world, '/', browser), 'signed out');
    expect((await trailOf(id)).slice(-2)).toEqual(['session.started', 'session.ended: signed out']);
  });

  it('after its owner ended it from another computer', async () => {
    await makePerson(world, 'ends', ['viewer']);
    const [stolen, own] = [await signIn(world, 'ends'), await signIn(world, 'ends')];
    const page = await asks(world, '/account', own);
    const path = /action="(\/account\/sessions\/[^"]+\/end)"/.exec(page.text)?.[1] ?? '';
    expect((await sends(world, path, own)).headers['location']).toBe('/account?done=ended');
    expectOver(await asks(world, '/', stolen), 'ended by its owner');
    expect((await asks(world, '/', own)).status).toBe(200);
    // Nobody ends a sign-in of somebody else.
    await makePerson(world, 'meddler', ['viewer']);
    const meddler = await signIn(world, 'meddler');
    const third = await signIn(world, 'ends');
    const its = (await asks(world, '/account', own)).text.match(/sessions\/([^/]+)\/end/)?.[1];
    const answer = await sends(world, `/account/sessions/${its}/end`, meddler);
    expect(answer.headers['location']).toBe('/account?done=not-open');
    expect((await asks(world, '/', third)).status).toBe(200);
  });

  it('after the password was changed, which gives the browser a new one', async () => {
    await makePerson(world, 'changes', ['viewer']);
    const [one, other] = [await signIn(world, 'changes'), await signIn(world, 'changes')];
    const fields = { current: PASSWORD, next: OTHER, again: OTHER };
    const answer = await sends(world, '/account/password', one, fields);
    expect(answer.status).toBe(303);
    expect(cookieOf(answer)).not.toBe(one.cookie);
    for (const old of [one, other]) expectOver(await asks(world, '/', old), 'password changed');
    expect((await asks(world, '/', { ...one, cookie: cookieOf(answer) })).status).toBe(200);
    expect((await trySignIn(world, 'changes', PASSWORD)).status).toBe(401);
  });

  it('after its account was deactivated, whose name nobody gets again', async () => {
    const id = await makePerson(world, 'leaves', ['viewer']);
    const browser = await signIn(world, 'leaves');
    const ada = await signIn(world, 'ada');
    const path = '/people/leaves/deactivate';
    expect((await sends(world, path, ada, { reason: 'left the company' })).status).toBe(303);
    expectOver(await asks(world, '/', browser), 'account deactivated');
    expect((await trySignIn(world, 'leaves', PASSWORD)).status).toBe(401);
    await expect(makePerson(world, 'LEAVES', ['viewer'])).rejects.toThrow(/somebody has, or had/);
    expect(await trailOf(id)).toEqual([
      'account.created',
      'session.started',
      'account.deactivated: left the company',
      'session.ended: account deactivated',
      'sign-in.refused: the account is deactivated',
    ]);
  });

  it('of a session that was not used, or lasted too long: over for good', async () => {
    await makePerson(world, 'late', ['viewer']);
    for (const [column, why] of [
      ['seen_at', 'not used for too long'],
      ['expires_at', 'lasted as long as it may'],
    ] as const) {
      const browser = await signIn(world, 'late');
      const row = await world.db
        .selectFrom('session')
        .select(['id', 'secret_sha256'])
        .where('ended_at', 'is', null)
        .orderBy('started_at', 'desc')
        .executeTakeFirstOrThrow();
      if (column === 'expires_at') {
        await expect(
          world.write((db) =>
            db
              .updateTable('session')
              .set({ expires_at: 1 as never })
              .where('id', '=', row.id)
              .execute(),
          ),
        ).rejects.toThrow(/none is prolonged/);
        continue;
      }
      await world.write((db) =>
        db
          .updateTable('session')
          .set({ [column]: 1 as never })
          .where('id', '=', row.id)
          .execute(),
      );
      expectOver(await asks(world, '/', browser), why);
      await expect(
        world.write((db) =>
          db.updateTable('session').set({ ended_at: null }).where('id', '=', row.id).execute(),
        ),
      ).rejects.toThrow(/stays ended/);
      expectOver(await asks(world, '/', browser), why);
    }
  });

  it('of another site, tampered with, or made up: known to nobody', async () => {
    await makePerson(world, 'tampered', ['viewer']);
    const browser = await signIn(world, 'tampered');
    const flipped = browser.cookie.replace(/.$/, (last) => (last === 'A' ? 'B' : 'A'));
    for (const cookie of [flipped, `${browser.cookie}x`, '__Host-drumline=1', '__Host-drumline=']) {
      expectOver(await asks(world, '/', { ...browser, cookie }), 'unknown');
    }
    await world.write((db) =>
      db.updateTable('session').set({ site: 'southquay' }).where('ended_at', 'is', null).execute(),
    );
    expectOver(await asks(world, '/', browser), 'unknown');
  });

  it('is found in no row, no page and no trail', async () => {
    await makePerson(world, 'secret', ['viewer']);
    const browser = await signIn(world, 'secret');
    const secret = browser.cookie.split('=')[1] ?? 'none';
    const page = await asks(world, '/account', browser);
    const rows = [
      await world.db.selectFrom('session').selectAll().execute(),
      await world.db.selectFrom('account').selectAll().execute(),
      await world.db.selectFrom('audit_entry').selectAll().execute(),
    ];
    for (const text of [page.text, JSON.stringify(rows)]) {
      expect(text).not.toContain(secret);
      expect(text).not.toContain(PASSWORD);
    }
    expect(JSON.stringify(rows[1])).toMatch(/\$argon2id\$v=19\$m=65536,t=3,p=4\$/);
  });
});

describe('a form', () => {
  let browser: Browser;
  beforeAll(async () => {
    await makePerson(world, 'forms', ['administrator']);
    browser = await signIn(world, 'forms');
  });

  it('without the token, or with that of another sign-in, changes nothing', async () => {
    const foreign = await signIn(world, 'forms');
    const before = await world.db.selectFrom('account').select('id').execute();
    const fields = { 'user-name': 'planted', 'printed-name': 'Planted', role: 'administrator' };
    for (const token of [undefined, '', 'x', foreign.token]) {
      const form = token === undefined ? fields : { ...fields, 'form-token': token };
      const answer = await submit(world, '/people', form, { cookie: browser.cookie });
      expect([answer.status, answer.json['code']]).toEqual([403, 'form-not-ours']);
    }
    expect(await world.db.selectFrom('account').select('id').execute()).toEqual(before);
  });

  it('from a page of somebody else changes nothing, token or not', async () => {
    const form = { 'form-token': browser.token, 'user-name': 'planted', 'printed-name': 'Planted' };
    for (const headers of [
      { origin: 'https://evil.example' },
      { origin: 'null' },
      { 'sec-fetch-site': 'cross-site' },
      { 'sec-fetch-site': 'same-site' },
    ]) {
      const answer = await submit(world, '/people', form, { cookie: browser.cookie, ...headers });
      expect([answer.status, answer.json['code']]).toEqual([403, 'form-not-ours']);
    }
    const silent = await world.http({
      path: '/people',
      key: null,
      headers: {
        cookie: browser.cookie,
        'content-type': 'application/x-www-form-urlencoded',
      },
      body: new URLSearchParams(form).toString(),
    });
    expect(silent.json['code']).toBe('form-not-ours');
    // A sign-in planted by another site would have somebody work under a name that is not theirs.
    const planted = await submit(
      world,
      '/sign-in',
      { 'user-name': 'forms', password: PASSWORD },
      { origin: 'https://evil.example' },
    );
    expect([planted.status, planted.headers['set-cookie']]).toEqual([403, undefined]);
  });

  it('as JSON takes the token in a header', async () => {
    const ask = (headers: Record<string, string>) =>
      world.http({
        path: '/api/v1/people/forms/unlock',
        key: null,
        headers: {
          cookie: browser.cookie,
          origin: new URL(world.url).origin,
          'content-type': 'application/json',
          ...headers,
        },
        body: '{"reason":"test"}',
      });
    expect((await ask({})).json['code']).toBe('form-not-ours');
    expect((await ask({ 'x-form-token': browser.token })).status).toBe(200);
  });
});

describe('a sign-in', () => {
  it('answers alike, and writes a row alike, for a wrong password and a name that nobody has', async () => {
    await makePerson(world, 'known', ['viewer']);
    const known = await trySignIn(world, 'known', 'wrong wrong wrong');
    const nobody = await trySignIn(world, 'nobdy', 'wrong wrong wrong');
    expect([known.status, nobody.status]).toEqual([401, 401]);
    expect(nobody.text.replaceAll('nobdy', 'known')).toBe(known.text);
    expect(known.text).not.toContain('wrong wrong wrong');
    const trail = JSON.stringify(await world.db.selectFrom('audit_entry').selectAll().execute());
    expect(trail).not.toContain('nobdy');
  });

  it.each([
    ['10,000 characters', 'x'.repeat(10_000)],
    ['a NUL character', `${PASSWORD}\u0000`],
    ['a NUL and more behind it', `${PASSWORD}\u0000x`],
    ['nothing', ''],
    ['the right password and a space', `${PASSWORD} `],
  ])('with %s is a wrong password, not an error', async (_name, password) => {
    await makePerson(world, 'odd', ['viewer']).catch(() => undefined);
    await world.write((db) => db.deleteFrom('sign_in_tries').execute());
    const answer = await trySignIn(world, 'odd', password);
    expect([answer.status, answer.headers['set-cookie']]).toEqual([401, undefined]);
  });

  it.each(['NUMÉRO', 'nume\u0301ro', 'ｎｕｍéｒｏ'])('finds a person under %s', async (name) => {
    await makePerson(world, 'numéro', ['viewer']).catch(() => undefined);
    expect((await trySignIn(world, name, PASSWORD)).status).toBe(303);
  });

  it('is refused to both of two who try at once while it is shut, and says until when', async () => {
    await makePerson(world, 'shut', ['viewer']);
    await world.write((db) => db.deleteFrom('sign_in_tries').execute());
    for (let n = 0; n < 5; n += 1) await trySignIn(world, 'shut', 'wrong');
    const both = await Promise.all([1, 2].map(() => trySignIn(world, 'shut', PASSWORD)));
    for (const answer of both) {
      expect([answer.status, answer.headers['set-cookie']]).toEqual([429, undefined]);
      expect(answer.text).toMatch(/It may be tried again from 20\d\d-/);
    }
    await world.http({
      path: '/api/v1/people/shut/unlock',
      key: world.controlToken,
      headers: { 'content-type': 'application/json' },
      body: '{"reason":"asked in person"}',
    });
    expect((await trySignIn(world, 'shut', PASSWORD)).status).toBe(303);
  });

  it('with a first password opens the account page and nothing else', async () => {
    await makePerson(world, 'fresh', ['administrator'], { mustChange: true });
    const answer = await trySignIn(world, 'fresh', PASSWORD);
    expect(answer.headers['location']).toBe('/account');
    const browser = { cookie: cookieOf(answer), token: '' };
    for (const path of ['/', '/people', '/api/v1/people', '/api/v1/reconciliation']) {
      expect((await asks(world, path, browser)).json['code']).toBe('password-change-needed');
    }
    expect((await asks(world, '/account', browser)).status).toBe(200);
  });

  it('over plain HTTP from elsewhere is refused with the remedy, and a cookie from there as well', async () => {
    const elsewhere = { 'x-forwarded-for': '203.0.113.9' };
    const answer = await trySignIn(world, 'ada', PASSWORD, elsewhere);
    expect([answer.status, answer.json['code']]).toEqual([403, 'connection-not-secure']);
    expect(answer.json['advice']).toMatch(/DRUMLINE_TLS_CERT/);
    const { cookie } = await signIn(world, 'ada');
    const copied = await world.http({ path: '/', key: null, headers: { cookie, ...elsewhere } });
    expect(copied.json['code']).toBe('connection-not-secure');
  });

  it('leads back to the page that was asked for, and to no other host', async () => {
    const html = { accept: 'text/html' };
    const page = await world.http({ path: '/receipts/R-1?x=1', key: null, headers: html });
    expect(page.status).toBe(401);
    expect(page.text).toContain('name="to" value="/receipts/R-1?x=1"');
    expect(page.headers['content-security-policy']).toMatch(/form-action 'self'/);
    const form = { 'user-name': 'ada', password: PASSWORD };
    const back = await submit(world, '/sign-in', { ...form, to: '/receipts/R-1?x=1' });
    expect(back.headers['location']).toBe('/receipts/R-1?x=1');
    const away = await submit(world, '/sign-in', { ...form, to: '//evil.example/' });
    expect(away.headers['location']).toBe('/');
  });
});

describe('roles', () => {
  it('are given by nobody to themselves, and the last administrator stays', async () => {
    await world.write(async (db) => {
      await db.deleteFrom('account_role').where('role', '=', 'administrator').execute();
    });
    await makePerson(world, 'sole', ['administrator']);
    const sole = await signIn(world, 'sole');
    const own = await sends(world, '/people/sole/roles', sole, {
      role: 'signer',
      reason: 'why not',
    });
    expect(own.status).toBe(422);
    expect(own.text).toContain('Nobody gives roles to themselves');
    const last = await sends(world, '/people/sole/deactivate', sole, { reason: 'bye' });
    expect([last.status, last.text]).toEqual([
      422,
      expect.stringContaining('another administrator first'),
    ]);
    const silent = await sends(world, '/people/sole/unlock', sole, { reason: '  ' });
    expect(silent.text).toContain('say why');
    expect((await asks(world, '/people', sole)).status).toBe(200);
  });
});

describe('a key', () => {
  it('that was rotated works beside its old secret until the overlap ends, and is then refused by name', async () => {
    const old = await world.createKey('rotating', { scopes: ['statement:read'] });
    const { json } = await world.http({ path: '/api/v1/keys', key: world.controlToken });
    const id = (json['keys'] as { id: string; name: string }[]).find(
      (k) => k.name === 'rotating',
    )?.id;
    const rotate = (overlapMs: number) =>
      world.http({
        path: `/api/v1/keys/${id}/rotate`,
        key: world.controlToken,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify({ overlapMs, reason: 'yearly' }),
      });
    const path = '/api/v1/receipts/R-1/statement';
    const second = String((await rotate(3_600_000)).json['key']);
    for (const key of [old, second]) expect((await world.http({ path, key })).status).toBe(200);
    const third = String((await rotate(0)).json['key']);
    const [first, middle] = [
      await world.http({ path, key: old }),
      await world.http({ path, key: second }),
    ];
    expect([first.status, first.json['detail']]).toEqual([401, expect.stringContaining('unknown')]);
    expect([middle.status, middle.json['detail']]).toEqual([
      401,
      expect.stringContaining('rotated'),
    ]);
    expect((await world.http({ path, key: third })).status).toBe(200);
    const revoke = `/api/v1/keys/${id}?reason=lost`;
    await world.http({ path: revoke, method: 'DELETE', key: world.controlToken });
    expect((await world.http({ path, key: third })).json['detail']).toContain('revoked');
    expect((await rotate(0)).status).toBe(404);
    const rows = JSON.stringify([
      await world.db.selectFrom('api_key').selectAll().execute(),
      await world.db.selectFrom('audit_entry').selectAll().execute(),
    ]);
    for (const key of [old, second, third]) expect(rows).not.toContain(key);
  });
});
