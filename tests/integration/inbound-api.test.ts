import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';

/** Documents of Northquay's invented sources over real HTTP, against the whole wired gateway. */

let world: GatewayWorld;
let keys = 0;

beforeAll(async () => {
  world = await GatewayWorld.open({});
});

afterAll(async () => {
  await world.close();
});

const sha256 = (text: string) => createHash('sha256').update(text).digest('hex');

function send(
  source: string,
  document: string,
  of: { readonly key?: string; readonly receiptId?: string } = {},
): Promise<HttpAnswer> {
  keys += 1;
  const one = of.receiptId === undefined ? '' : `/${encodeURIComponent(of.receiptId)}`;
  return world.http({
    method: of.receiptId === undefined ? 'POST' : 'PUT',
    path: `/api/v1/sources/${source}/receipts${one}`,
    headers: { 'content-type': 'application/xml', 'idempotency-key': of.key ?? `doc-${keys}` },
    body: document,
  });
}

const get = (id: string) => world.http({ path: `/api/v1/receipts/${encodeURIComponent(id)}` });

interface Position {
  readonly status?: string;
  readonly counter: number;
  readonly rest?: string;
}

function notice(number: string, ...positions: readonly Position[]): string {
  const lines = positions.map(
    ({ status = 'EXPECTED', counter, rest = EXPECTED }, i) =>
      `<Position number="0${i + 1}0"><Status>${status}</Status><Counter>${counter}</Counter>${rest}</Position>`,
  );
  return `<DeliveryNotice><Delivery number="${number}">${lines.join('')}</Delivery></DeliveryNotice>`;
}

const labels = (...of: readonly string[]) =>
  `<Containers>${of.map((label) => `<Label>${label}</Label>`).join('')}</Containers>`;
const EXPECTED = `<Material>NQ-1001</Material><Batch>007300</Batch>${labels('007300-01..007300-03')}`;

async function trailOf(subjectId: string) {
  const rows = await world.db
    .selectFrom('audit_entry')
    .selectAll()
    .where('subject_id', '=', subjectId)
    .execute();
  return rows;
}

describe('a document of a source', () => {
  it('is announced line by line, kept byte for byte, and named in the trail with its mapping', async () => {
    const document = notice('0001', { counter: 1 }, { counter: 1 });
    const taken = await send('erp', document);
    expect(taken.status, taken.text).toBe(200);
    expect(taken.json).toMatchObject({
      sha256: sha256(document),
      lines: [
        { receiptId: '0001/010', outcome: 'new', revision: 1, change: 'announce' },
        { receiptId: '0001/020', outcome: 'new', revision: 1 },
      ],
    });
    expect((await get('0001/010')).json).toMatchObject({
      receiptNumber: '0001',
      line: '010',
      siteLot: '007300',
      containers: ['007300-01', '007300-02', '007300-03'],
    });
    const id = String(taken.json['documentId']);
    const raw = await world.http({ path: `/api/v1/sources/erp/documents/${id}/raw` });
    expect(raw.text).toBe(document);
    const shown = await world.http({ path: `/api/v1/sources/erp/documents/${id}` });
    expect(shown.json).toMatchObject({
      outcome: 'taken',
      sha256: sha256(document),
      mapping: taken.json['mapping'],
      lines: [{ place: '/DeliveryNotice/Delivery/Position[1]' }, { receiptId: '0001/020' }],
    });
    const revision = await world.db
      .selectFrom('inbound_revision')
      .selectAll()
      .where('source', '=', 'erp')
      .where('active', '=', 1)
      .executeTakeFirstOrThrow();
    expect(revision.digest).toBe(taken.json['mapping']);
    expect(JSON.parse(revision.content)).toEqual({
      'erp.inbound.yaml': readFileSync(join(NORTHQUAY, 'erp.inbound.yaml'), 'utf8'),
    });
    const [entry] = await trailOf(id);
    expect(entry?.action).toBe('inbound.taken');
    expect(JSON.stringify(entry)).toContain(revision.digest);
    const ofReceipt = await trailOf('0001/010');
    const announced = ofReceipt.filter(({ action }) => action === 'receipt.announced');
    expect(announced.map(({ reason }) => reason)).toEqual([`erp, document ${id}`]);
  });

  it('does nothing twice under its key, and nothing else under it', async () => {
    const document = notice('0002', { counter: 1 });
    const first = await send('erp', document, { key: 'K' });
    const again = await send('erp', document, { key: 'K' });
    expect(again.json).toEqual(first.json);
    const other = await send('erp', notice('0003', { counter: 1 }), { key: 'K' });
    expect(other.json).toMatchObject({ status: 422, code: 'idempotency-key-reused' });
    expect((await get('0003/010')).status).toBe(404);
    const keyless = await send('erp', document, { key: '' });
    expect(keyless.json).toMatchObject({ status: 400, code: 'idempotency-key-missing' });
    const rows = await world.db
      .selectFrom('inbound_document')
      .select('id')
      .where('raw_sha256', '=', sha256(document))
      .execute();
    expect(rows).toHaveLength(1);
  });

  it('changes what it named before: corrected, reprinted, recalled', async () => {
    await send('erp', notice('0004', { counter: 1 }));
    const more = EXPECTED.replace('007300-03', '007300-04');
    const corrected = notice('0004', { status: 'CORRECTED', counter: 2, rest: more });
    expect((await send('erp', corrected)).json).toMatchObject({ lines: [{ outcome: 'changed' }] });
    const reprint =
      '<Reprint><OldLabel>007300-02</OldLabel><NewLabel>007300-02A</NewLabel><SeenBy>B. Second</SeenBy></Reprint><Remark>torn</Remark>';
    const printed = await send(
      'erp',
      notice('0004', { status: 'REPRINTED', counter: 3, rest: reprint }),
    );
    expect(printed.json).toMatchObject({ lines: [{ change: 'relabel', revision: 3 }] });
    expect((await get('0004/010')).json['containers']).toEqual([
      '007300-01',
      '007300-02A',
      '007300-03',
      '007300-04',
    ]);
    const recall = notice('0004', {
      status: 'RECALLED',
      counter: 4,
      rest: '<Remark>wrong site</Remark>',
    });
    expect((await send('erp', recall)).status).toBe(200);
    expect((await get('0004/010')).json).toMatchObject({ status: 'cancelled', revision: 4 });
  });

  it('that is older than what the source said before changes nothing', async () => {
    const more = EXPECTED.replace('007300-03', '007300-09');
    const late = notice('0005', { counter: 8 });
    await send('erp', late);
    const newer = await send('erp', notice('0005', { counter: 10, rest: more }));
    expect(newer.json).toMatchObject({ lines: [{ outcome: 'changed', revision: 2 }] });
    const older = await send('erp', notice('0005', { counter: 9, rest: EXPECTED }));
    expect(older.json).toMatchObject({ lines: [{ outcome: 'overtaken', revision: null }] });
    expect((await get('0005/010')).json).toMatchObject({ revision: 2 });
    const same = await send('erp', notice('0005', { counter: 10, rest: more }));
    expect(same.json).toMatchObject({ lines: [{ outcome: 'unchanged' }] });
    const reused = await send('erp', notice('0005', { counter: 10 }));
    expect(reused.json).toMatchObject({ status: 422 });
    expect(reused.text).toContain('sequence-used');
  });
});

describe('several lines of one document about one receipt', () => {
  const position = ({ status, counter, rest }: Position) =>
    `<Position number="010"><Status>${status}</Status><Counter>${counter}</Counter>${rest}</Position>`;
  const about = (number: string, ...lines: readonly Position[]) =>
    `<DeliveryNotice><Delivery number="${number}">${lines.map(position).join('')}</Delivery></DeliveryNotice>`;
  const recall = { status: 'RECALLED', counter: 7, rest: '<Remark>wrong site</Remark>' };

  it('are told apart by their numbers as those of several documents are', async () => {
    await send('erp', notice('0006', { counter: 5 }));
    const more = EXPECTED.replace('007300-03', '007300-09');
    const late = { status: 'CORRECTED', counter: 6, rest: more };
    const taken = await send('erp', about('0006', recall, late));
    expect(taken.json).toMatchObject({
      lines: [{ outcome: 'changed' }, { outcome: 'overtaken', revision: null }],
    });
    expect((await get('0006/010')).json).toMatchObject({ status: 'cancelled', revision: 2 });
  });

  it('in their order are done in their order', async () => {
    await send('erp', notice('0007', { counter: 5 }));
    const again = { status: 'CORRECTED', counter: 8, rest: EXPECTED.replace('-03', '-04') };
    const taken = await send('erp', about('0007', recall, again, { ...again }));
    expect(taken.status).toBe(422);
    const two = await send('erp', about('0007', recall, again));
    expect(two.json).toMatchObject({ lines: [{ outcome: 'changed' }, { outcome: 'changed' }] });
    expect((await get('0007/010')).json).toMatchObject({ status: 'open', revision: 3 });
  });

  it('may not use one number for two things', async () => {
    await send('erp', notice('0008', { counter: 5 }));
    const same = { status: 'CORRECTED', counter: 7, rest: EXPECTED };
    const taken = await send('erp', about('0008', recall, same));
    expect(taken.json).toMatchObject({ status: 422 });
    expect(taken.text).toContain('sequence-used');
    expect((await get('0008/010')).json).toMatchObject({ status: 'open', revision: 1 });
  });
});

describe('a document that is wrong', () => {
  it('is refused whole, with every place; its bytes are kept and no receipt is', async () => {
    const document = notice(
      '0010',
      { counter: 1 },
      {
        counter: 1,
        rest: '<Material>NQ-1001</Material><Colour>red</Colour><Containers><Label>A</Label><Label>A</Label></Containers>',
      },
    );
    const answer = await send('erp', document);
    expect(answer.json).toMatchObject({ status: 422, code: 'expectation-invalid' });
    expect(answer.text).toContain('/DeliveryNotice/Delivery/Position[2]');
    expect(answer.text).toContain('Colour');
    const named = await send('erp', document.replace('<Colour>red</Colour>', ''));
    expect(named.text).toContain('stands 2 times');
    for (const line of ['010', '020']) expect((await get(`0010/${line}`)).status).toBe(404);
    const id = String(answer.json['documentId']);
    const raw = await world.http({ path: `/api/v1/sources/erp/documents/${id}/raw` });
    expect(raw.text).toBe(document);
    expect(await trailOf(id)).toMatchObject([{ action: 'inbound.refused' }]);
  });

  it('takes back what its first lines did when a later one cannot be done', async () => {
    const document = notice(
      '0011',
      { counter: 1 },
      { status: 'RECALLED', counter: 1, rest: '<Remark>never announced</Remark>' },
    );
    const answer = await send('erp', document, { key: 'R' });
    expect(answer.json).toMatchObject({ status: 422 });
    expect(answer.text).toContain('receipt-unknown');
    expect((await get('0011/010')).status).toBe(404);
    // A refusal uses up no key: corrected, it may come under the same one.
    expect((await send('erp', notice('0011', { counter: 1 }), { key: 'R' })).status).toBe(200);
  });

  it('sent for one receipt may speak of no other', async () => {
    const document = notice('0012', { counter: 1 });
    const other = await send('erp', document, { receiptId: '0013/010' });
    expect(other.text).toContain('other-receipt');
    expect((await get('0012/010')).status).toBe(404);
    expect((await send('erp', document, { receiptId: '0012/010' })).status).toBe(200);
  });

  it('of a source without a mapping, or without the right, is not taken', async () => {
    expect((await send('none', '<a/>')).json).toMatchObject({
      status: 404,
      code: 'source-unknown',
    });
    const key = await world.createKey('reads', { scopes: ['read'] });
    const path = '/api/v1/sources/erp/receipts';
    const denied = await world.http({
      path,
      key,
      headers: { 'idempotency-key': 'x' },
      body: '<a/>',
    });
    expect(denied.status).toBe(403);
  });
});

describe('a spreadsheet with a byte-order mark and semicolons', () => {
  it('announces one receipt over several rows', async () => {
    const document =
      '\ufeffReceipt;Material;Supplier lot;Area;Received;Counted;Counted by;Container;Remarks\r\n' +
      '0042;NQ-1004;007;west-dock;2026-01-12 07:40;2;T. Ashby (simulated);D-01;\r\n' +
      '0042;NQ-1004;007;west-dock;2026-01-12 07:40;2;T. Ashby (simulated);D-02;\r\n';
    const taken = await send('sheet', document);
    expect(taken.json).toMatchObject({ lines: [{ receiptId: '0042', outcome: 'new' }] });
    expect(taken.json['sha256']).toBe(sha256(document));
    expect((await get('0042')).json).toMatchObject({
      receivedAt: '2026-01-12T07:40:00.000000Z',
      dockCount: 2,
      containers: ['D-01', 'D-02'],
    });
  });
});
