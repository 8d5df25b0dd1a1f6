import { afterEach, describe, expect, it } from 'vitest';
import { Dock, drum, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer, type WorldOptions } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { erpUsage, found, stateOf, toldErp } from './observe.js';

/** Rules 16 and 25 with the whole gateway: a drum taken for another, and a drum that is rejected. */

const [FIRST] = EAST;
const [typed, meant] = [receiptOf(1), receiptOf(2)];

let world: GatewayWorld;
let dock: Dock;

async function openWorld(options: WorldOptions = {}): Promise<void> {
  world = await GatewayWorld.open(options);
  dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  for (const name of ['robin', 'sam']) await makePerson(world, name, ['reviewer']);
}

afterEach(async () => {
  await world.close();
});

async function post(path: string, body: Record<string, unknown>): Promise<HttpAnswer> {
  return world.http({
    path: `/api/v1/${path}`,
    method: 'POST',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify(body),
  });
}

async function rowId(resultId: string): Promise<string> {
  const row = await world.db
    .selectFrom('result')
    .select('id')
    .where('result_id', '=', resultId)
    .executeTakeFirstOrThrow();
  return row.id;
}

/** Says that a result is of the first drum of the other receipt; the id of the proposal. */
async function propose(resultId: string): Promise<string> {
  const { status, json, text } = await post(`results/${await rowId(resultId)}/attribution`, {
    receiptId: meant.id,
    seenReceipt: meant.scanText,
    seenContainer: 'D2-01',
    seenLot: meant.siteLot,
    seenBy: 'Lena (simulated)',
    reason: 'the lot of the pallet beside it was typed, dock log 14',
    userName: 'robin',
    password: PASSWORD,
  });
  if (status !== 201) throw new Error(text);
  return String(json['id']);
}

async function sign(id: string, userName: string): Promise<HttpAnswer> {
  const { json } = await world.http({
    path: `/api/v1/attributions/${id}`,
    key: world.controlToken,
  });
  return post(`attributions/${id}`, {
    act: 'attribute',
    shown: json['sha256'],
    reason: 'compared with the photo of the label',
    userName,
    password: PASSWORD,
  });
}

describe('rule 25: wrong lot typed', () => {
  it('stops the receipt it is meant for at once, and frees the other by a second person’s signature only', async () => {
    await openWorld();
    await dock.conform(meant);
    await world.until('ERP released it', () => erpUsage(world, meant.id) === 'released');
    await dock.announce(typed);
    const fail = dock.measure(FIRST, typed, 'D1-01', { holds: 'naphthalene' });
    dock.measure(FIRST, typed, 'D1-01');
    dock.measure(FIRST, typed, 'D1-02');
    for (const serial of EAST) await dock.sync(serial);
    await world.quiet();
    expect((await world.statement(typed.id)).outcome).toBe('does-not-conform');
    expect((await world.statement(meant.id)).outcome).toBe('conforms');

    const id = await propose(fail);
    const doubted = await world.statement(meant.id);
    expect(doubted).toMatchObject({
      outcome: 'does-not-conform',
      stopInForce: { kind: 'withdraw' },
    });
    expect(found(doubted, 'no-contrary-result').found).toContain('nobody signed yet');
    await world.until('ERP blocked it', () => erpUsage(world, meant.id) === 'blocked');
    expect((await world.statement(typed.id)).outcome).toBe('does-not-conform');

    expect((await sign(id, 'robin')).json).toMatchObject({ code: 'duty-own-proposal' });
    expect((await sign(id, 'sam')).json).toMatchObject({ state: 'signed', revision: 2 });
    await world.says(typed.id, 'conforms');
    await world.quiet();
    const moved = await world.statement(meant.id);
    expect(stateOf(moved, 'D2-01')).toBe('contrary');
    expect(moved.outcome).toBe('does-not-conform');
    expect(toldErp(world, meant.id).at(-1)).toBe('BLOCK-CONTRARY');
    expect(toldErp(world, typed.id).at(-1)).toBe('USE-PERMITTED');

    // Withdrawn at the old before it was posted to the new.
    const told = world.lims.ledger.books.messages
      .map((m) => JSON.parse(m.content) as Record<string, string>)
      .filter((m) => m['resultId'] === fail);
    expect(told.map((m) => [m['messageType'], m['revision'], m['receipt']])).toEqual([
      ['result', '1', typed.id],
      ['withdrawal', '1', typed.id],
      ['result', '2', meant.id],
    ]);
    expect(told[2]).toMatchObject({ container: 'D1-01', attributedContainer: 'D2-01' });
    // The story of either receipt tells of it.
    for (const receipt of [typed, meant]) {
      const { text } = await world.http({
        path: `/api/v1/trace?term=${receipt.id}`,
        key: world.controlToken,
      });
      expect(text).toContain('proposed by Person robin');
      expect(text).toMatch(/D1-01 of nq-1-1 to D2-01 of nq-2-1: signed/);
    }
  }, 90_000);

  it('holds the new one back for as long as the withdrawal is not through', async () => {
    const act = { kind: 'reject', status: 422, words: 'unknown entry' } as const;
    await openWorld({ lims: { byOrdinal: [], byBody: [{ holds: ['"withdrawal"'], act }] } });
    await dock.announce(typed, meant);
    const fail = dock.measure(FIRST, typed, 'D1-01', { holds: 'naphthalene' });
    await dock.sync(FIRST);
    await world.quiet();
    expect((await sign(await propose(fail), 'sam')).status).toBe(200);
    const states = async () => {
      const rows = await world.db
        .selectFrom('delivery')
        .select(['message', 'subject_revision', 'state', 'attempts'])
        .where('ordering_key', '=', `result:${fail}`)
        .where('destination', '=', 'lims')
        .orderBy('seq')
        .execute();
      return rows.map((r) => `${r.message} ${r.subject_revision} ${r.state} ${r.attempts}`);
    };
    await world.until('the withdrawal was refused', async () =>
      (await states()).includes('withdrawal 1 rejected 1'),
    );
    // Something else goes through meanwhile, and the result under its new receipt does not.
    dock.measure(FIRST, typed, 'D1-02');
    await dock.sync(FIRST);
    await world.until('another result arrived', () =>
      world.lims.ledger.books.messages.some((m) => m.content.includes('D1-02')),
    );
    expect(await states()).toEqual([
      'result 1 confirmed 1',
      'withdrawal 1 rejected 1',
      'result 2 due 0',
    ]);
  }, 90_000);

  it('leaves the doubt about a pass at the receipt that is announced after somebody said it is of another', async () => {
    await openWorld();
    await dock.announce(meant);
    const doubted = dock.measure(FIRST, typed, 'D1-01');
    dock.measure(FIRST, typed, 'D1-02');
    for (const serial of EAST) await dock.sync(serial);
    const id = await propose(doubted);
    await dock.announce(typed);
    await world.quiet();
    const statement = await world.statement(typed.id);
    expect(statement.outcome).toBe('incomplete');
    expect(found(statement, 'no-open-discrepancy').found).toContain(
      `attribution-open: result ${doubted} is said to be of container D2-01`,
    );

    const { json } = await world.http({
      path: `/api/v1/attributions/${id}`,
      key: world.controlToken,
    });
    const declined = await post(`attributions/${id}`, {
      act: 'decline',
      shown: json['sha256'],
      reason: 'the photo shows the label of D1-01',
      userName: 'sam',
      password: PASSWORD,
    });
    expect(declined.json).toMatchObject({ state: 'declined' });
    await world.says(typed.id, 'conforms');
  }, 60_000);
});

describe('rule 16: a drum is rejected', () => {
  const parent = receiptOf(1, { drums: [1, 2, 3].map((d) => drum(1, d)) });
  const reject = async (container: string, userName = 'robin') => {
    const path = `receipts/${parent.id}/rejection`;
    const query = `?container=${container}`;
    const shown = await world.http({ path: `/api/v1/${path}${query}`, key: world.controlToken });
    return post(path, {
      container,
      shown: shown.json['sha256'],
      reason: 'holds another material, tagged and locked away',
      investigation: 'INV-26-030',
      userName,
      password: PASSWORD,
    });
  };
  const splitOff = (key: string | null, container: string) =>
    world.http({
      path: `/api/v1/receipts/${parent.id}/split-off`,
      method: 'POST',
      ...(key === null ? {} : { key }),
      headers: { 'content-type': 'application/json', 'idempotency-key': `"${container}-${key}"` },
      body: JSON.stringify({
        reason: 'blocked stock',
        part: { receiptId: 'nq-1-1-b', scanText: 'NQ1/1B', containers: [container] },
      }),
    });

  it('stays "does not conform" until ERP confirms with its own key that the drum is split off', async () => {
    await openWorld();
    await dock.announce(parent);
    const failed = dock.measure(FIRST, parent, 'D1-02', { holds: 'naphthalene' });
    for (const label of ['D1-01', 'D1-03']) dock.measure(FIRST, parent, label);
    for (const serial of EAST) await dock.sync(serial);
    await world.quiet();
    expect((await splitOff(null, 'D1-02')).json).toMatchObject({ code: 'receipt-change-invalid' });

    expect((await reject('D1-02')).status).toBe(200);
    await world.quiet();
    const rejected = await world.statement(parent.id);
    expect(rejected.outcome).toBe('does-not-conform');
    expect(found(rejected, 'receipt-undivided')).toMatchObject({ state: 'contradicted' });
    const open = async () =>
      (
        await world.db
          .selectFrom('discrepancy')
          .select(['closed_at', 'closing_evidence'])
          .where('class', '=', 'rejected-container')
          .execute()
      ).map((d) => d.closing_evidence);
    expect(await open()).toEqual([null]);
    // Whoever works at this machine cannot say it for ERP.
    expect((await splitOff(world.controlToken, 'D1-02')).json).toMatchObject({
      code: 'right-missing',
    });
    expect((await splitOff(null, 'D1-03')).json).toMatchObject({ code: 'receipt-change-invalid' });
    expect((await world.statement(parent.id)).outcome).toBe('does-not-conform');

    expect((await splitOff(null, 'D1-02')).status).toBe(200);
    const rest = await world.says(parent.id, 'conforms');
    expect(rest.containers.map((c) => c.label)).toEqual(['D1-01', 'D1-03']);
    expect((await open())[0]).toMatch(/^receipt:nq-1-1-b takes it by a change of key /);
    const gone = await world.statement('nq-1-1-b');
    expect(gone.outcome).toBe('does-not-conform');
    expect(stateOf(gone, 'D1-02')).toBe('contrary');
    expect(found(gone, 'receipt-undivided').found).toContain('rejected at nq-1-1');
    const row = await world.db
      .selectFrom('result')
      .select(['receipt_id', 'container_label'])
      .where('result_id', '=', failed)
      .executeTakeFirst();
    expect(row).toEqual({ receipt_id: 'nq-1-1-b', container_label: 'D1-02' });

    // A scan of the old label finds the drum where it is: news of it is none of the rest.
    dock.measure(FIRST, parent, 'D1-02', { holds: 'sulfur', at: world.clock.now() });
    await dock.sync(FIRST);
    await world.quiet();
    expect((await world.statement(parent.id)).outcome).toBe('conforms');
    expect((await world.statement('nq-1-1-b')).outcome).toBe('does-not-conform');
  });

  it('of a receipt that had conformed stops it, and nobody splits, merges or relabels around that', async () => {
    await openWorld();
    await dock.conform(parent);
    await world.until('ERP released it', () => erpUsage(world, parent.id) === 'released');
    expect((await reject('D1-01')).status).toBe(200);
    await world.until('ERP blocked it', () => erpUsage(world, parent.id) === 'blocked');
    expect((await world.statement(parent.id)).stopInForce).toMatchObject({ kind: 'withdraw' });
    const change = (name: string, body: Record<string, unknown>) =>
      world.http({
        path: `/api/v1/receipts/${parent.id}/${name}`,
        method: 'POST',
        headers: { 'content-type': 'application/json', 'idempotency-key': `"${name}"` },
        body: JSON.stringify({ reason: 'around it', ...body }),
      });
    const parts = [
      { receiptId: 'a', containers: ['D1-01'] },
      { receiptId: 'b', containers: ['D1-02', 'D1-03'] },
    ];
    expect((await change('split', { parts })).text).toContain('ERP splits it off first');
    const relabel = { from: 'D1-01', to: 'D1-09', witness: 'Lena (simulated)' };
    expect((await change('relabel', relabel)).text).toContain('ERP splits it off first');
    await dock.announce({ ...parent, drums: parent.drums.slice(1) });
    const statement = await world.statement(parent.id);
    expect(statement.containers.map((c) => c.label)).toContain('D1-01');
    expect(statement.outcome).toBe('does-not-conform');
  });
});
