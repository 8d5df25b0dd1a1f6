import { afterEach, beforeEach, expect, it } from 'vitest';
import type { TraceCandidate, TraceEvent } from '../../src/pipeline/trace.store.js';
import { Dock, receiptOf } from '../support/dock.js';
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
