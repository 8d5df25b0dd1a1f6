import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type {
  ReceiptReviewView,
  WaitingReceipts,
} from '../../src/statements/receipt-review-view.js';
import type { StopLiftView } from '../../src/statements/stop-lift-view.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { asks, makePerson, sends, signIn } from '../support/signed-in.js';
import { erpUsage, found, toldErp } from './observe.js';

/** Rule 15 with the whole gateway: a statement from the dock to its second person and on to ERP. */

const [FIRST] = EAST;
const receipt = receiptOf(1);

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open({ secondPerson: true });
  dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'robin', ['reviewer']);
  await dock.announce(receipt);
  await dock.measureAll(receipt);
  await world.until('all holds but the second person', async () => {
    const { waiting } = (await get('/api/v1/receipt-reviews')).json as unknown as WaitingReceipts;
    return waiting.some((w) => w.receiptId === receipt.id);
  });
});

afterEach(async () => {
  await world.close();
});

function get(path: string): Promise<HttpAnswer> {
  return world.http({ path, key: world.controlToken });
}

const path = `/api/v1/receipts/${receipt.id}/review`;

async function look(): Promise<ReceiptReviewView> {
  const answer = await get(path);
  const view = answer.json as unknown as ReceiptReviewView;
  expect(answer.headers['etag']).toBe(`"${view.sha256}"`);
  return view;
}

async function act(fields: Record<string, unknown> = {}, key = world.controlToken) {
  const shown = 'shown' in fields ? fields['shown'] : (await look()).sha256;
  return world.http({
    path,
    method: 'POST',
    key,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      act: 'sign',
      reason: 'results and labels looked at (simulated)',
      userName: 'robin',
      password: PASSWORD,
      ...fields,
      shown,
    }),
  });
}

async function released(): Promise<void> {
  expect((await act()).json).toMatchObject({ outcome: 'conforms' });
  await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
}

describe('a statement that waits for its second person', () => {
  it('conforms with the signature, in its own transaction, and ERP hears it', async () => {
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(erpUsage(world, receipt.id)).not.toBe('released');
    const answer = await act();
    expect(answer.json).toMatchObject({
      outcome: 'conforms',
      signature: { meaning: 'approved', printedName: 'Person robin (simulated)' },
    });
    const stored = await world.db
      .selectFrom('statement')
      .select(['outcome', 'revision'])
      .where('revision', '=', Number(answer.json['revision']))
      .executeTakeFirst();
    expect(stored?.outcome).toBe('conforms');
    const statement = await world.says(receipt.id, 'conforms');
    expect(found(statement, 'second-person').evidence).toEqual([
      { kind: 'signature', id: expect.any(String) },
    ]);
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    expect((await look()).signatures).toMatchObject([{ validity: 'valid', broken: null }]);
    const { waiting } = (await get('/api/v1/receipt-reviews')).json as unknown as WaitingReceipts;
    expect(waiting).toEqual([]);
    const trail = await world.db
      .selectFrom('audit_entry')
      .select('actor_kind')
      .where('action', '=', 'statement.approved')
      .execute();
    expect(trail).toEqual([{ actor_kind: 'person' }]);
  });

  it('is suspended by a stop when another drum is measured after the signature, which is void then', async () => {
    await released();
    dock.measure(FIRST, receipt, 'D1-01', { at: world.clock.now() });
    await dock.sync(FIRST);
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-DOUBT');
    const statement = await world.statement(receipt.id);
    expect(statement.stopInForce?.reason).toContain('second-person: void');
    expect((await look()).signatures).toMatchObject([{ validity: 'void' }]);
    // The stop stands, whoever signs.
    expect((await act()).json).toMatchObject({ code: 'act-not-possible' });
  });

  it('is suspended when somebody refuses it after it conformed', async () => {
    await released();
    await makePerson(world, 'alex', ['reviewer']);
    const refusal = { act: 'refuse', userName: 'alex', reason: 'a label is torn (simulated)' };
    expect((await act(refusal)).json).toMatchObject({ outcome: 'incomplete' });
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    const statement = await world.statement(receipt.id);
    expect(found(statement, 'second-person').found).toContain('a label is torn (simulated)');
  });

  it('keeps the signature of somebody whose account is deactivated later', async () => {
    await released();
    const done = await world.http({
      path: '/api/v1/people/robin/deactivate',
      key: world.controlToken,
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({ reason: 'left the site (simulated)' }),
    });
    expect(done.status).toBe(200);
    expect((await world.statement(receipt.id)).outcome).toBe('conforms');
    expect((await look()).signatures).toMatchObject([{ validity: 'valid' }]);
  });
});

describe('a stop that is lifted', () => {
  const stopsPath = `/api/v1/receipts/${receipt.id}/stops`;
  const stops = async () => (await get(stopsPath)).json as unknown as StopLiftView;

  async function lift(fields: Record<string, unknown> = {}): Promise<HttpAnswer> {
    const { inForce, sha256 } = await stops();
    return world.http({
      path: `${stopsPath}/lift`,
      method: 'POST',
      key: world.controlToken,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({
        stop: inForce,
        shown: sha256,
        investigation: 'INV-26-014',
        reason: 'drum 1 measured again by plan (simulated)',
        userName: 'quinn',
        password: PASSWORD,
        ...fields,
      }),
    });
  }

  it('is lifted by a signature that names it, and the statement conforms only after another second person’s signature', async () => {
    await makePerson(world, 'quinn', ['signer']);
    await released();
    dock.measure(FIRST, receipt, 'D1-01', { at: world.clock.now() });
    await dock.sync(FIRST);
    await world.until('the stop is effective', async () =>
      (await stops()).stops.every((s) => s.effectiveAt !== null),
    );
    await world.quiet();
    const refusals: [string, string, Promise<HttpAnswer>][] = [
      ['a reviewer', 'right-missing', lift({ userName: 'robin' })],
      ['another stop', 'act-not-possible', lift({ stop: 'none' })],
      ['no investigation', 'query-invalid', lift({ investigation: ' ' })],
      ['stale', 'signature-stale', lift({ shown: '0'.repeat(64) })],
    ];
    for (const [name, code, asked] of refusals) {
      expect([name, (await asked).json['code']]).toEqual([name, code]);
    }
    expect((await world.statement(receipt.id)).stopInForce).not.toBeNull();
    const before = (await world.statement(receipt.id)).revision;
    const answer = await lift();
    expect(answer.json).toMatchObject({ outcome: 'incomplete', signature: { meaning: 'lifted' } });
    const statement = await world.statement(receipt.id);
    expect(statement).toMatchObject({ outcome: 'incomplete', stopInForce: null });
    expect(statement.revision).toBeGreaterThan(before);
    expect(found(statement, 'no-stop-in-force').found).toContain('INV-26-014');
    expect(found(statement, 'second-person').found).toContain('void');
    expect((await act()).json).toMatchObject({ outcome: 'conforms' });
    await world.quiet();
    await world.until('ERP heard it', () => toldErp(world, receipt.id).at(-1) === 'USE-PERMITTED');
    // A transition after that is a stop again.
    dock.measure(FIRST, receipt, 'D1-02', { at: world.clock.now(), holds: 'sulfur' });
    await dock.sync(FIRST);
    const again = await world.statement(receipt.id);
    expect(again.stopInForce?.kind).toBe('withdraw');
    await world.until('it is effective', async () =>
      (await stops()).stops.every((s) => s.effectiveAt !== null),
    );
    // Until the result itself is confirmed, what is shown changes, and a digest of it is stale.
    await world.quiet();
    expect((await lift()).json).toMatchObject({
      code: 'act-not-possible',
      detail: expect.stringContaining('no-contrary-result is contradicted'),
    });
  });
});

describe('nobody signs a statement', () => {
  it('on whose receipt they measured anything, without the right, unproven, or of what is not there any more', async () => {
    await makePerson(world, 'olga', ['reviewer'], { operatorIds: ['OP-11'] });
    await makePerson(world, 'sina', ['signer']);
    const key = await world.createKey('reader', { scopes: ['read'] });
    const { sha256: shown } = await look();
    const cases: [string, number, string, Promise<HttpAnswer>][] = [
      ['measured it', 403, 'duty-own-result', act({ shown, userName: 'olga' })],
      ['no right', 403, 'right-missing', act({ shown, userName: 'sina' })],
      ['wrong password', 403, 'signature-not-proven', act({ shown, password: 'x' })],
      ['a key', 403, 'scope-missing', act({ shown }, key)],
      ['stale', 409, 'signature-stale', act({ shown: '0'.repeat(64) })],
      ['no act', 400, 'query-invalid', act({ shown, act: 'clear' })],
      ['no reason', 400, 'query-invalid', act({ shown, reason: '' })],
    ];
    for (const [name, status, code, asked] of cases) {
      const { json } = await asked;
      expect({ name, status: json['status'], code: json['code'] }).toEqual({ name, status, code });
    }
    expect((await get('/api/v1/receipts/none/review')).status).toBe(404);
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(await world.db.selectFrom('signature').selectAll().execute()).toEqual([]);
  });
});

describe('whoever measured under a name that belongs to no account', () => {
  const measured = (label: string, operatorId: string) =>
    dock.measure(FIRST, receipt, label, { says: { operatorId }, at: world.clock.now() });

  it('is named in what is signed, and is nobody who measures under a like one', async () => {
    await makePerson(world, 'olga', ['reviewer'], { operatorIds: ['OP-77'] });
    await makePerson(world, 'otto', ['reviewer'], { operatorIds: ['OP-88'] });
    measured('D1-01', 'OP-77\u200b');
    measured('D1-02', 'op_88');
    measured('D1-02', 'guest');
    await dock.sync(FIRST);
    await world.quiet();
    // As they stand in the results, so that who signs sees what they say they are not.
    const { shown, measuredBy, declared } = await look();
    expect(measuredBy).toEqual([
      { operator: 'OP-77\u200b', belongsTo: 'Person olga (simulated)' },
      { operator: 'guest', belongsTo: null },
      { operator: 'op-11', belongsTo: null },
      { operator: 'op_88', belongsTo: null },
    ]);
    expect(declared).toContain('I am none of those');
    expect(shown.context).toMatchObject({ measuredBy, declared });
    const { json: own } = await act({ userName: 'olga' });
    expect(own).toMatchObject({
      code: 'duty-own-result',
      detail: expect.stringContaining('you measured it'),
    });
    const { json: like } = await act({ userName: 'otto' });
    expect(like).toMatchObject({
      code: 'duty-own-result',
      detail: expect.stringContaining(
        '"op_88", under which something was measured, belongs to no account',
      ),
    });
    const page = await asks(world, `/receipts/${receipt.id}`, await signIn(world, 'robin'));
    expect(page.text).toContain('<bdi>OP-77\\u{200B}</bdi>');
    expect(page.text).toMatch(/<bdi>guest<\/bdi>, which belongs to no account/);
    expect(page.text).toContain('I am none of those');
    expect((await act()).json).toMatchObject({ outcome: 'conforms' });
    // Once it is entered for whoever it is, nobody is taken for them any more.
    await makePerson(world, 'mara', ['viewer'], { operatorIds: ['op_88'] });
    const { json } = await act({ userName: 'otto', act: 'refuse' });
    expect(json).toMatchObject({ signature: { meaning: 'refused' } });
  });
});

describe('one person under two accounts', () => {
  const change = async (of: string, body: Record<string, unknown>) => {
    const answer = await world.http({
      path: `/api/v1/people${of}`,
      method: 'POST',
      key: world.controlToken,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify(body),
    });
    return answer.json;
  };
  const account = {
    userName: 'olga2',
    printedName: 'Olga, again (simulated)',
    roles: ['reviewer'],
    password: PASSWORD,
  };

  it('is no second person of what they measured under the one that ended', async () => {
    await makePerson(world, 'olga', ['reviewer'], { operatorIds: ['OP-11'] });
    await change('/olga/deactivate', { reason: 'left' });
    expect(await change('', { ...account, operatorIds: ['OP-11'] })).toMatchObject({
      code: 'person-invalid',
      detail: expect.stringContaining('name olga as predecessor'),
    });
    expect(await change('', { ...account, predecessor: 'olga' })).toMatchObject({
      code: 'query-invalid',
      detail: expect.stringContaining('reason: say why'),
    });
    await makePerson(world, 'olga2', ['reviewer']);
    expect(
      await change('/olga2/predecessor', { predecessor: 'olga', reason: 'staff number 114' }),
    ).toMatchObject({ predecessors: ['olga'], operatorIds: ['OP-11'] });
    expect((await act({ userName: 'olga2' })).json['code']).toBe('duty-own-result');
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
  });

  it('is named by an administrator on the pages, when the account is made or later', async () => {
    const admin = await signIn(world, 'ada');
    for (const name of ['olga', 'otto']) {
      await makePerson(world, name, ['reviewer'], { operatorIds: [name] });
      await change(`/${name}/deactivate`, { reason: 'left' });
    }
    const fields = { 'user-name': 'olga2', 'printed-name': 'Olga (simulated)', role: 'reviewer' };
    const unsaid = await sends(world, '/people', admin, { ...fields, predecessor: 'olga' });
    expect([unsaid.status, unsaid.text.includes('Why: say why')]).toEqual([422, true]);
    const said = { ...fields, predecessor: 'olga', reason: 'staff number 114' };
    expect((await sends(world, '/people', admin, said)).status).toBe(201);
    const later = { predecessor: 'otto', reason: 'staff number 115' };
    await makePerson(world, 'otto2', ['reviewer']);
    const named = await sends(world, '/people/otto2/predecessor', admin, later);
    expect([named.status, named.headers['location']]).toEqual([
      303,
      '/people/otto2?done=predecessor',
    ]);
    const twice = await sends(world, '/people/olga2/predecessor', admin, later);
    expect([twice.status, twice.text.includes('otto goes on as otto2')]).toEqual([422, true]);
    const page = await asks(world, '/people/otto2', admin);
    expect(page.text).toMatch(/The same person as.*href="\/people\/otto"/);
    expect((await asks(world, '/people/otto', admin)).text).toMatch(/Goes on as.*\/people\/otto2"/);
  });
});

describe('the page of a receipt', () => {
  it('shows what a signature covers, and a reviewer signs on it; nobody else finds a form', async () => {
    const page = `/receipts/${receipt.id}`;
    const SAID = 'The signature stands below';
    const admin = await signIn(world, 'ada');
    const looked = await asks(world, page, admin);
    expect(looked.text).toContain('Reviewers who are signed in decide here.');
    expect((await asks(world, `${page}?done=signed`, admin)).text).not.toContain(SAID);
    expect(looked.headers['content-security-policy']).toContain("form-action 'none'");
    const reviewer = await signIn(world, 'robin');
    const form = await asks(world, page, reviewer);
    expect(form.headers['content-security-policy']).toContain("form-action 'self'");
    const shown = /name="shown" value="([0-9a-f]{64})"/.exec(form.text)?.[1] ?? '';
    const fields = { shown, act: 'sign', reason: 'looked at it (simulated)', userName: 'robin' };
    const wrong = await sends(world, `${page}/review`, reviewer, { ...fields, password: 'x' });
    expect(wrong.status).toBe(403);
    expect(wrong.text).toContain('role="alert"');
    const done = await sends(world, `${page}/review`, reviewer, { ...fields, password: PASSWORD });
    const [signature] = await world.db.selectFrom('signature').select('id').execute();
    const behind = `${page}?done=${signature?.id}`;
    expect([done.status, done.headers['location']]).toEqual([303, behind]);
    const after = await asks(world, behind, reviewer);
    expect(after.text).toContain('approved</strong> by');
    expect(after.text).toContain(SAID);
    // It is not said for an address that anybody could write, nor to somebody else.
    expect((await asks(world, `${page}?done=signed`, reviewer)).text).not.toContain(SAID);
    expect((await asks(world, behind, admin)).text).not.toContain(SAID);
    expect((await world.statement(receipt.id)).outcome).toBe('conforms');
  });
});
