import { afterEach, beforeEach, expect, it } from 'vitest';
import type { TraceCandidate, TraceEvent } from '../../src/statements/trace-view.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** One story from every name that any part of it has. */

const receipt = receiptOf(1);
let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open({ erpPulls: false });
  dock = new Dock(world);
  await dock.conform(receipt);
});

afterEach(async () => {
  await world.close();
});

interface Trace {
  readonly candidates: readonly TraceCandidate[];
  readonly of: TraceCandidate | null;
  readonly related: readonly TraceCandidate[];
  readonly events: readonly TraceEvent[];
  readonly total: number;
  readonly next: number | null;
}

async function trace(term: string, more: Record<string, string> = {}): Promise<Trace> {
  const query = new URLSearchParams({ term, ...more });
  const answer = await world.http({ path: `/api/v1/trace?${query}` });
  return answer.json as unknown as Trace;
}

it('is the same from a container, a result, a delivery, its key, the destination’s number and the receipt', async () => {
  const whole = await trace(receipt.id);
  const kinds = new Set(whole.events.map((e) => e.kind));
  for (const kind of [
    'bundle',
    'result',
    'delivery',
    'attempt',
    'read-back',
    'statement',
    'pull',
    'trail',
  ]) {
    expect(kinds).toContain(kind);
  }
  expect(whole.events.map((e) => e.at)).toEqual(whole.events.map((e) => e.at).toSorted());
  const delivery = await world.db
    .selectFrom('delivery')
    .selectAll()
    .where('destination', '=', 'lims')
    .where('subject_kind', '=', 'result')
    .executeTakeFirstOrThrow();
  const result = await world.db.selectFrom('result').selectAll().executeTakeFirstOrThrow();
  for (const term of [
    'D1-01',
    result.result_id,
    delivery.id,
    delivery.idempotency_key,
    receipt.siteLot,
  ]) {
    const told = await trace(term);
    expect([term, told.candidates.map((c) => c.id)]).toEqual([term, [receipt.id]]);
    expect(told.events).toEqual(whole.events);
    expect(told.total).toBe(whole.total);
  }
  const numbered = await trace(delivery.destination_reference ?? '');
  expect(numbered.candidates.map((c) => c.id)).toContain(receipt.id);
  const bundle = await trace(result.bundle_row_id);
  expect(bundle.events.map((e) => e.what).join()).toContain(result.result_id);
});

it('lists candidates where a term stands for several, nothing for none, and comes in pages', async () => {
  const second = receiptOf(2, { siteLot: receipt.siteLot });
  await dock.announce(second);
  const several = await trace(receipt.siteLot);
  expect(several.candidates.map((c) => c.id).sort()).toEqual([receipt.id, second.id]);
  expect(several.events).toEqual([]);
  expect(await trace('nothing of that name')).toMatchObject({ candidates: [], events: [] });
  const first = await trace(receipt.id, { limit: '3' });
  expect([first.events.length, first.next]).toEqual([3, 3]);
  for (const more of [{ limit: '201' }, { from: '-1' }, { from: 'x' }]) {
    expect(await trace(receipt.id, more)).toMatchObject({ code: 'query-invalid' });
  }
  expect(await trace('')).toMatchObject({ code: 'query-invalid' });
});

it('finds what no receipt owns: by result, scan, delivery and its number, until a receipt comes for it', async () => {
  const [first] = EAST;
  const unknown = receiptOf(9);
  const resultId = dock.measure(first, unknown, 'D9-01');
  await dock.sync(first);
  await world.quiet();
  const row = await world.db
    .selectFrom('result')
    .selectAll()
    .where('result_id', '=', resultId)
    .executeTakeFirstOrThrow();
  expect(row.receipt_id).toBeNull();
  const delivery = await world.db
    .selectFrom('delivery')
    .selectAll()
    .where('subject_id', '=', row.id)
    .where('destination', '=', 'lims')
    .executeTakeFirstOrThrow();
  for (const term of [
    resultId,
    row.id,
    unknown.scanText,
    'D9-01',
    delivery.id,
    delivery.idempotency_key,
    delivery.destination_reference ?? '',
  ]) {
    const told = await trace(term);
    expect([term, told.candidates.map((c) => `${c.kind} ${c.id}`)]).toEqual([
      term,
      [`result ${row.id}`],
    ]);
    const kinds = new Set(told.events.map((e) => e.kind));
    for (const kind of ['bundle', 'result', 'delivery', 'attempt', 'read-back']) {
      expect(kinds, `${kind} by ${term}`).toContain(kind);
    }
    expect(told.events.map((e) => e.id)).toContain(row.id);
  }
  // The other way: from the bundle to what it brought.
  const bundle = await trace(row.bundle_row_id);
  expect(bundle.related).toMatchObject([{ kind: 'result', id: row.id, name: resultId }]);
  expect((await trace(resultId)).related).toMatchObject([
    { kind: 'bundle', id: row.bundle_row_id },
  ]);
  await dock.announce(unknown);
  const owned = await trace(resultId);
  expect(owned.candidates.map((c) => `${c.kind} ${c.id}`)).toEqual([`receipt ${unknown.id}`]);
  expect((await trace('D9-01')).candidates.map((c) => c.id)).toEqual([unknown.id]);
});

it('tells the story of the one that is chosen among several, and of none that the term does not name', async () => {
  const second = receiptOf(2, { siteLot: receipt.siteLot });
  await dock.announce(second);
  const chosen = await trace(receipt.siteLot, { as: `receipt:${receipt.id}` });
  expect(chosen.of).toMatchObject({ kind: 'receipt', id: receipt.id });
  expect(chosen.total).toBe((await trace(receipt.id)).total);
  expect((await trace(receipt.siteLot, { as: 'receipt:other' })).of).toBeNull();
});
