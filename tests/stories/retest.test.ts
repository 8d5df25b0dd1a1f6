import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { CauseView } from '../../src/statements/cause-view.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { found, stateOf } from './observe.js';

/** Rule 12 with the whole gateway: a contrary result stops contradicting by a signed cause only. */

const [FIRST, SECOND] = EAST;
const receipt = receiptOf(1);

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'robin', ['reviewer']);
  await dock.announce(receipt);
});

afterEach(async () => {
  await world.close();
});

async function rowId(resultId: string): Promise<string> {
  const row = await world.db
    .selectFrom('result')
    .select('id')
    .where('result_id', '=', resultId)
    .executeTakeFirstOrThrow();
  return row.id;
}

async function look(id: string): Promise<CauseView> {
  const answer = await world.http({ path: `/api/v1/results/${id}/cause`, key: world.controlToken });
  return answer.json as unknown as CauseView;
}

async function assign(id: string, fields: Record<string, unknown> = {}): Promise<HttpAnswer> {
  return world.http({
    path: `/api/v1/results/${id}/cause`,
    method: 'POST',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      shown: (await look(id)).sha256,
      investigation: 'INV-26-021',
      reason: 'the probe window was wet, log 7 (simulated)',
      userName: 'robin',
      password: PASSWORD,
      ...fields,
    }),
  });
}

/** Drum 1 fails, its second attempt is inconclusive on another handheld, then it passes; drum 2 passes. */
async function measureUntilPass(): Promise<readonly [string, string]> {
  const failed = dock.measure(FIRST, receipt, 'D1-01', { holds: 'sulfur' });
  const unsure = dock.measure(SECOND, receipt, 'D1-01', { says: { decision: 'inconclusive' } });
  dock.measure(FIRST, receipt, 'D1-01');
  dock.measure(FIRST, receipt, 'D1-02');
  for (const serial of EAST) await dock.sync(serial);
  return [failed, unsure];
}

describe('a drum that was measured until it passed', () => {
  it('does not conform until every contrary attempt has a signed cause of its own, and shows them all', async () => {
    const [failed, unsure] = await measureUntilPass();
    await world.quiet();
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
    const [first, second] = [await rowId(failed), await rowId(unsure)];
    const view = await look(first);
    expect(view.series.map((a) => a.decision)).toEqual(
      expect.arrayContaining(['fail', 'inconclusive', 'pass']),
    );
    expect((await assign(first)).json).toMatchObject({ signature: { meaning: 'reviewed' } });
    const half = await world.statement(receipt.id);
    expect(half.outcome).toBe('does-not-conform');
    expect(found(half, 'no-contrary-result').found).toContain('inconclusive');
    // The other one was held, being unlike its recheck: that stays a reviewer's to answer, beside its cause.
    expect((await assign(second)).status).toBe(200);
    const both = await world.statement(receipt.id);
    expect(both.outcome).not.toBe('does-not-conform');
    expect(found(both, 'no-contrary-result').found).toContain(failed);
    expect(found(both, 'no-contrary-result').found).toContain(unsure);
    expect(stateOf(both, 'D1-01')).toBe('covered');
  });

  it('is explained by nobody who measured there, without an investigation, twice, or when it is no contrary result', async () => {
    await makePerson(world, 'olga', ['reviewer'], { operatorIds: ['op-11'] });
    const [failed] = await measureUntilPass();
    const id = await rowId(failed);
    expect((await assign(id, { userName: 'olga' })).json).toMatchObject({
      code: 'duty-own-result',
    });
    expect((await assign(id, { investigation: '' })).json).toMatchObject({ code: 'query-invalid' });
    expect((await assign(id, { shown: '0'.repeat(64) })).json).toMatchObject({
      code: 'signature-stale',
    });
    expect((await assign(id)).status).toBe(200);
    expect((await assign(id)).json).toMatchObject({ code: 'act-not-possible' });
    const passed = await world.db
      .selectFrom('result')
      .select('id')
      .where('decision', '=', 'pass')
      .executeTakeFirstOrThrow();
    expect((await assign(passed.id)).json).toMatchObject({ code: 'act-not-possible' });
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
  });

  it('contradicts again once what was signed reads differently', async () => {
    const failed = dock.measure(FIRST, receipt, 'D1-01', { holds: 'sulfur' });
    await dock.sync(FIRST);
    const id = await rowId(failed);
    const page = async () => (await world.http({ path: `/receipts/${receipt.id}` })).text;
    expect(await page()).toContain('no cause is signed');
    await assign(id);
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(await page()).toContain('what caused it is signed');
    await dock.announce({ ...receipt, manufacturer: 'Another Maker (simulated)' });
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
    expect(await page()).toContain('what was signed of its cause is void');
    expect(await page()).not.toContain('what caused it is signed');
  });
});
