import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';

/** Receipts one by one over real HTTP, against the whole wired gateway. */

let world: GatewayWorld;
let keys = 0;

beforeAll(async () => {
  world = await GatewayWorld.open({});
});

afterAll(async () => {
  await world.close();
});

const line = (scanText: string, changes: object = {}) => ({
  material: 'NQ-1001',
  supplierLot: 'SL-7',
  receivedAt: '2026-03-04T09:15:00+00:00',
  dockCount: 3,
  scanText,
  containers: ['C-001..C-003'],
  ...changes,
});

function put(id: string, body: object, headers: Record<string, string> = {}): Promise<HttpAnswer> {
  return world.http({
    method: 'PUT',
    path: `/api/v1/receipts/${id}`,
    headers: { 'content-type': 'application/json', ...headers },
    body: JSON.stringify(body),
  });
}

function post(id: string, change: string, body: object, headers: Record<string, string> = {}) {
  keys += 1;
  return world.http({
    method: 'POST',
    path: `/api/v1/receipts/${id}/${change}`,
    headers: { 'content-type': 'application/json', 'idempotency-key': `k-${keys}`, ...headers },
    body: JSON.stringify(body),
  });
}

const get = (id: string) => world.http({ path: `/api/v1/receipts/${id}` });

describe('a receipt announced as JSON', () => {
  it('is stored with its ranges written out and shown with its ETag', async () => {
    const made = await put('A-1', line('A-1'));
    expect(made.status).toBe(200);
    expect(made.json).toMatchObject({ receiptId: 'A-1', outcome: 'new', revision: 1 });
    const shown = await get('A-1');
    expect(shown.json).toMatchObject({
      receiptId: 'A-1',
      containers: ['C-001', 'C-002', 'C-003'],
      receivedAt: '2026-03-04T09:15:00.000000Z',
      status: 'open',
      revision: 1,
    });
    expect(shown.headers['etag']).toBe(made.headers['etag']);
    expect(shown.headers['cache-control']).toBe('private, no-cache');
  });

  it('is changed only by whoever has seen the revision in force', async () => {
    const first = String((await put('A-2', line('A-2'))).headers['etag']);
    const unseen = await put('A-2', line('A-2', { quantity: '1 kg' }));
    expect(unseen.json).toMatchObject({ status: 428, code: 'receipt-revision-missing' });
    const seen = await put('A-2', line('A-2', { quantity: '1 kg' }), { 'if-match': first });
    expect(seen.json).toMatchObject({ outcome: 'changed', revision: 2 });
    // The other system, which saw revision 1 as well.
    const late = await put('A-2', line('A-2', { quantity: '2 kg' }), { 'if-match': first });
    expect(late.json).toMatchObject({ status: 412, code: 'receipt-changed' });
    expect((await get('A-2')).json['quantity']).toBe('1 kg');
    const same = await put('A-2', line('A-2', { quantity: '1 kg' }), { 'if-match': first });
    expect(same.json).toMatchObject({ outcome: 'unchanged', revision: 2 });
    const onlyNew = await put('A-2', line('A-2'), { 'if-none-match': '*' });
    expect(onlyNew.json).toMatchObject({ status: 412 });
  });

  it('is refused place by place, and nothing of it is stored', async () => {
    const wrong = await put('A-3', {
      ...line('A-3'),
      receivedAt: 'yesterday',
      containers: ['C-1..D-9', 'X', 'X'],
    });
    expect(wrong.json).toMatchObject({ status: 422, code: 'expectation-invalid' });
    const faults = (wrong.json['faults'] as string[]).join('\n');
    for (const place of [
      '/receivedAt: found "yesterday"',
      'the range at place 1',
      '"X" stands 2 times',
    ]) {
      expect(faults).toContain(place);
    }
    expect((await put('A-3', { material: 1 })).json['faults']).toEqual(
      expect.arrayContaining([expect.stringContaining('/material')]),
    );
    expect((await put('A-3', line('A-3', { colour: 'red' }))).text).toContain('colour');
    expect((await get('A-3')).json).toMatchObject({ status: 404, code: 'receipt-unknown' });
    const csv = await put('A-3', line('A-3'), { 'content-type': 'text/csv' });
    expect(csv.json).toMatchObject({ status: 415 });
  });
});

describe('a change over HTTP', () => {
  it('is made once under its key, however often it is sent', async () => {
    await put('B-1', line('B-1'));
    const headers = { 'idempotency-key': 'cancel-B-1' };
    const first = await post('B-1', 'cancel', { reason: 'sent back' }, headers);
    expect(first.json).toEqual({
      receipts: [{ receiptId: 'B-1', revision: 2, status: 'cancelled' }],
    });
    const again = await post('B-1', 'cancel', { reason: 'sent back' }, headers);
    expect(again.json).toEqual(first.json);
    expect(again.headers['etag']).toBe(first.headers['etag']);
    const other = await post('B-1', 'cancel', { reason: 'another' }, headers);
    expect(other.json).toMatchObject({ status: 422, code: 'idempotency-key-reused' });
    const twice = await post('B-1', 'cancel', { reason: 'sent back' });
    expect(twice.json).toMatchObject({ status: 409, code: 'receipt-closed' });
    const keyless = await post('B-1', 'cancel', { reason: 'sent back' }, { 'idempotency-key': '' });
    expect(keyless.json).toMatchObject({ status: 400, code: 'idempotency-key-missing' });
  });

  it('relabels, splits and merges, and shows where containers came from and went to', async () => {
    await put('B-2', line('B-2'));
    const tag = String((await get('B-2')).headers['etag']);
    const act = { from: 'C-002', to: 'C-002A', witness: 'B. Second', reason: 'torn off' };
    expect((await post('B-2', 'relabel', act, { 'if-match': tag })).status).toBe(200);
    const stale = await post('B-2', 'relabel', act, { 'if-match': tag });
    expect(stale.json).toMatchObject({ status: 412, code: 'receipt-changed' });
    const parts = [
      { receiptId: 'B-3', containers: ['C-001'] },
      { receiptId: 'B-4', containers: ['C-002A', 'C-003'] },
    ];
    expect((await post('B-2', 'split', { reason: 'two orders', parts })).status).toBe(200);
    expect((await get('B-2')).json).toMatchObject({
      status: 'split',
      wentTo: [
        { receiptId: 'B-3', as: 'split' },
        { receiptId: 'B-4', as: 'split' },
      ],
      relabelled: [{ from: 'C-002', to: 'C-002A', witness: 'B. Second', reason: 'torn off' }],
    });
    const merge = { reason: 'one order again', parts: ['B-3', 'B-4'] };
    const merged = await post('B-5', 'merge', merge);
    expect(merged.status).toBe(200);
    expect((await get('B-5')).json).toMatchObject({
      containers: ['C-001', 'C-002A', 'C-003'],
      comesFrom: [
        { receiptId: 'B-3', as: 'merged', signed: false },
        { receiptId: 'B-2', as: 'split', signed: false },
        { receiptId: 'B-4', as: 'merged', signed: false },
      ],
    });
  });

  it('is refused in words, and changes nothing', async () => {
    await put('B-6', line('B-6'));
    const short = await post('B-6', 'split', { reason: 'x', parts: [] });
    expect(short.json).toMatchObject({ status: 422, code: 'receipt-change-invalid' });
    expect(short.text).toContain('/reason');
    const left = await post('B-6', 'split', {
      reason: 'two orders',
      parts: [
        { receiptId: 'B-7', containers: ['C-001'] },
        { receiptId: 'B-8', containers: ['C-002'] },
      ],
    });
    expect(left.json['detail']).toBe('1 containers are given to no part: C-003');
    expect((await post('B-99', 'cancel', { reason: 'sent back' })).json).toMatchObject({
      status: 404,
      code: 'receipt-unknown',
    });
    expect((await get('B-6')).json).toMatchObject({ revision: 1, status: 'open' });
  });
});

describe('a CSV of receipt lines', () => {
  const csv = (bytes: Uint8Array | string) =>
    world.http({
      path: '/api/v1/expectations',
      headers: { 'content-type': 'text/csv' },
      body: bytes,
    });

  it('with a byte-order mark, semicolons and a quoted list is taken as it is', async () => {
    const text = '\uFEFFreceipt_id;material;containers;scan_text\r\nC-1;NQ-1001;"D-1;D-2";C-1\r\n';
    expect((await csv(text)).json).toMatchObject({ lines: [{ receiptId: 'C-1', outcome: 'new' }] });
    expect((await get('C-1')).json['containers']).toEqual(['D-1', 'D-2']);
  });

  it('in UTF-16 is refused by name', async () => {
    const text = 'receipt_id,material,containers\r\nC-2,NQ-1001,D-1\r\n';
    const little = Buffer.from(`\uFEFF${text}`, 'utf16le');
    const big = Buffer.from(little).swap16();
    for (const [bytes, name] of [
      [little, 'UTF-16 (little-endian)'],
      [big, 'UTF-16 (big-endian)'],
      [little.subarray(2), 'UTF-16 without a mark (little-endian)'],
      [Buffer.from([0x72, 0xe9]), 'bytes that are not UTF-8'],
    ] as const) {
      const answer = await csv(bytes);
      expect(answer.json).toMatchObject({ status: 422, code: 'expectation-invalid' });
      expect(answer.json['detail']).toBe(`found ${name}, expected UTF-8`);
    }
    expect((await get('C-2')).status).toBe(404);
  });
});
