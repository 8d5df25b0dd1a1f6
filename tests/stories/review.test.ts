import { uuidv7 } from 'uuidv7';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { formatInZone } from '../../src/formats/time-zone.js';
import type { ReviewList, ReviewView } from '../../src/statements/review-view.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD, storedPassword } from '../support/people.js';
import { erpUsage, toldErp } from './observe.js';

/** A held result, from the dock to its reviewer and on to LIMS and ERP, with the whole gateway. */

const [FIRST] = EAST;
const receipt = receiptOf(1);

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
  await person('robin', 'reviewer');
  await dock.announce(receipt);
});

afterEach(async () => {
  await world.close();
});

async function person(userName: string, role: string): Promise<void> {
  const { site } = world.site;
  const id = uuidv7();
  const password = await storedPassword();
  const at = world.clock.now();
  await world.write(async (db) => {
    await db
      .insertInto('account')
      .values({
        id,
        user_name: userName,
        user_name_folded: userName,
        printed_name: `Person ${userName} (simulated)`,
        password,
        password_set_at: at,
        must_change_password: 0,
        created_at: at,
        deactivated_at: null,
      })
      .execute();
    await db
      .insertInto('account_role')
      .values({ account_id: id, site, role, granted_at: at, granted_by: 'cli' })
      .execute();
  });
}

/** Measures both drums; the second with an offset that is not the zone's. Returns its row id. */
async function measureWithOneHeld(): Promise<string> {
  dock.measure(FIRST, receipt, 'D1-01');
  const at = addMs(world.clock.now(), -1_000_000);
  const measuredAt = formatInZone(at, 'Asia/Tokyo').replace(/\.\d+/, '');
  dock.measure(FIRST, receipt, 'D1-02', { at, says: { measuredAt } });
  for (const serial of EAST) await dock.sync(serial);
  await world.quiet();
  const { waiting } = (await get('/api/v1/reviews')).json as unknown as ReviewList;
  expect(waiting).toMatchObject([
    { container: 'D1-02', heldBy: ['time-offset'], decision: 'pass' },
  ]);
  return waiting[0]?.rowId ?? '';
}

function get(path: string): Promise<HttpAnswer> {
  return world.http({ path, key: world.controlToken });
}

async function look(rowId: string): Promise<ReviewView> {
  const answer = await get(`/api/v1/results/${rowId}/review`);
  const view = answer.json as unknown as ReviewView;
  expect(answer.headers['etag']).toBe(`"${view.sha256}"`);
  return view;
}

function sign(rowId: string, fields: Record<string, unknown>, key = world.controlToken) {
  return world.http({
    path: `/api/v1/results/${rowId}/review`,
    method: 'POST',
    key,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      act: 'clear',
      reason: 'sync log 12 shows the zone (simulated)',
      userName: 'robin',
      password: PASSWORD,
      ...fields,
    }),
  });
}

describe('a held result', () => {
  it('keeps its receipt incomplete until a reviewer clears it; then LIMS gets it and ERP hears conforms', async () => {
    const rowId = await measureWithOneHeld();
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(world.lims.ledger.books.messages).toHaveLength(1);
    const view = await look(rowId);
    expect(view.options.clear).toMatchObject({ possible: true });

    const answer = await sign(rowId, { shown: view.sha256 });
    expect(answer.json).toMatchObject({
      state: 'accepted',
      signature: {
        meaning: 'cleared',
        printedName: 'Person robin (simulated)',
        zone: 'Europe/London',
      },
    });
    await world.says(receipt.id, 'conforms');
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    expect(world.lims.ledger.books.messages).toHaveLength(2);
    const after = await look(rowId);
    expect(after.signatures).toMatchObject([
      { meaning: 'cleared', validity: 'valid', changed: [], broken: null },
    ]);
    expect(((await get('/api/v1/reviews')).json as unknown as ReviewList).waiting).toEqual([]);
  });

  it('that was delivered and is refused is withdrawn, and its receipt is suspended at once', async () => {
    const rowId = await measureWithOneHeld();
    await sign(rowId, { shown: (await look(rowId)).sha256 });
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    const refusal = { act: 'refuse', reason: 'another drum was presented (simulated)' };
    const answer = await sign(rowId, { ...refusal, shown: (await look(rowId)).sha256 });
    expect(answer.json).toMatchObject({ state: 'refused' });
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-DOUBT');
    const lims = world.lims.ledger.books.messages.map((m) => m.messageType);
    expect(lims).toEqual(['result', 'result', 'withdrawal']);
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
  });
});

describe('a review that is asked for wrongly', () => {
  it('is refused by name and changes nothing', async () => {
    const rowId = await measureWithOneHeld();
    await person('vera', 'viewer');
    const { sha256: shown } = await look(rowId);
    const key = await world.createKey('reader', { scopes: ['read', 'bundle:write'] });
    const cases: [string, number, string, Promise<HttpAnswer>][] = [
      ['wrong password', 403, 'signature-not-proven', sign(rowId, { shown, password: 'x' })],
      ['no user name', 403, 'signature-not-proven', sign(rowId, { shown, userName: null })],
      ['unknown person', 403, 'signature-not-proven', sign(rowId, { shown, userName: 'nobody' })],
      ['no right', 403, 'right-missing', sign(rowId, { shown, userName: 'vera' })],
      ['a key', 403, 'scope-missing', sign(rowId, { shown }, key)],
      ['stale', 409, 'signature-stale', sign(rowId, { shown: '0'.repeat(64) })],
      ['no digest', 400, 'query-invalid', sign(rowId, {})],
      ['no reason', 400, 'query-invalid', sign(rowId, { shown, reason: ' ' })],
      ['no act', 400, 'query-invalid', sign(rowId, { shown, act: 'pass' })],
      ['no result', 404, 'not-found', sign('nothing', { shown })],
    ];
    for (const [name, status, code, asked] of cases) {
      const { json } = await asked;
      expect({ name, status: json['status'], code: json['code'] }).toEqual({ name, status, code });
    }
    expect((await look(rowId)).state).toBe('held');
    const trail = await world.db
      .selectFrom('audit_entry')
      .select(['reason', 'source'])
      .where('action', '=', 'signature.refused')
      .orderBy('id')
      .execute();
    const reasons = trail.map((entry) => entry.reason?.split(':')[0] ?? '');
    expect(reasons.sort()).toEqual(
      ['right-missing', 'signature-stale', 'user-name-needed', 'wrong', 'wrong'].sort(),
    );
    const everything = JSON.stringify(
      await world.db.selectFrom('audit_entry').selectAll().execute(),
    );
    expect(everything).not.toContain(PASSWORD);
  });
});
