import Fastify, { type FastifyInstance } from 'fastify';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { WELL_BEHAVED } from '../../src/simulation/misbehaviour.js';
import { type StandInErp, startStandInErp } from '../../src/simulation/stand-in-erp.server.js';
import { call, erpMessage, statement, TestClock, TOKEN, until } from './support/stand-ins.js';

const HOLDING_MS = 8000;

let clock: TestClock;
let erp: StandInErp;
let gateway: FastifyInstance;
/** What the gateway answers a pull with; a number is a bare status. */
let answer: () => Record<string, unknown> | number;
let pulls = 0;

function conforming(more: Record<string, unknown> = {}): Record<string, unknown> {
  return {
    receipt: { receiptId: 'r-1' },
    environment: 'training',
    revision: 3,
    outcome: 'conforms',
    validUntil: formatInstant(addMs(clock.now(), 60_000)),
    containers: [
      { label: 'D-1', state: 'covered' },
      { label: 'D-2', state: 'covered' },
      { label: 'D-3', state: 'not-required' },
    ],
    ...more,
  };
}

beforeEach(async () => {
  clock = new TestClock();
  pulls = 0;
  answer = () => conforming();
  gateway = Fastify();
  gateway.get('/api/v1/receipts/:id/statement', async (request, reply) => {
    pulls += 1;
    const now = answer();
    if (request.headers.authorization !== 'Bearer pull-key') return reply.status(401).send({});
    return typeof now === 'number' ? reply.status(now).send({}) : now;
  });
  const gatewayUrl = await gateway.listen({ host: '127.0.0.1', port: 0 });
  erp = await startStandInErp({
    clock,
    token: TOKEN,
    journal: null,
    honoursKey: true,
    askable: true,
    schedule: WELL_BEHAVED,
    processingMs: 0,
    environment: 'training',
    holdingMs: HOLDING_MS,
    // Rounds are started by the tests.
    roundMs: 3_600_000,
  });
  const told = await call(erp.url, '/gateway', {
    method: 'PUT',
    body: JSON.stringify({ url: gatewayUrl, key: 'pull-key' }),
  });
  expect(told.status).toBe(200);
});

afterEach(async () => {
  await erp.close();
  await gateway.close();
});

const state = () => erp.ledger.books.receipts.get('r-1');
const post = (body: string, key: string) => call(erp.url, '/inbound', { body, key });
const areApplied = () => erp.ledger.books.messages.every((m) => m.applied);

async function releaseByHint(): Promise<void> {
  await post(statement('d-1', 3, 'USE-PERMITTED'), 'k-1');
  await until(() => state()?.usage === 'released');
}

describe('the stand-in ERP as a store', () => {
  it('stores a message once per key and answers the same again', async () => {
    const body = erpMessage('d-1', 'result', { ResultId: 'x-1', Revision: '1' });
    const first = await post(body, 'k-1');
    const again = await post(body, 'k-1');
    expect(first).toEqual(again);
    expect(first.text).toBe(
      '<MessageReceipt><Number>E-000001</Number><Reference>d-1</Reference></MessageReceipt>',
    );
    expect(erp.ledger.books.messages).toHaveLength(1);
    await post(body, 'k-2');
    expect(erp.ledger.books.messages).toHaveLength(2);
  });

  it('refuses a key that comes again with other content', async () => {
    await post(erpMessage('d-1', 'result', { ResultId: 'x-1' }), 'k-1');
    expect((await post(erpMessage('d-1', 'result', { ResultId: 'x-2' }), 'k-1')).status).toBe(422);
    expect(erp.ledger.books.messages).toHaveLength(1);
  });

  it('shows the stored body for a reference', async () => {
    await post(erpMessage('d-1', 'result', { Lot: 'A &amp; B' }), 'k-1');
    await until(areApplied);
    expect((await call(erp.url, '/messages?reference=d-1')).text).toBe(
      `<Messages><Message><Number>E-000001</Number><Reference>d-1</Reference><MessageType>result</MessageType><StoredAt>${erp.ledger.books.messages[0]?.arrivedAt ?? ''}</StoredAt><Applied>true</Applied><Content><Lot>A &amp; B</Lot></Content></Message></Messages>`,
    );
    expect((await call(erp.url, '/messages?reference=d-9')).text).toBe('<Messages></Messages>');
  });

  it('keeps a lower revision in its list and never applies it', async () => {
    await post(statement('d-2', 5, 'USE-REFUSED'), 'k-2');
    await until(() => state()?.revision === 5);
    await post(statement('d-1', 4, 'USE-PERMITTED'), 'k-1');
    await post(erpMessage('d-3', 'result', { ResultId: 'x-1' }), 'k-3');
    await until(() => erp.ledger.books.messages[2]?.applied === true);
    expect(erp.ledger.books.messages[1]?.applied).toBe(false);
    expect((await call(erp.url, '/receipts/r-1')).text).toBe(
      '<ReceiptState><Receipt>r-1</Receipt><Revision>5</Revision><UsageDecision>USE-REFUSED</UsageDecision><Usage>blocked</Usage><Issued>0</Issued></ReceiptState>',
    );
  });

  it('answers 404 for a receipt it never heard of', async () => {
    expect((await call(erp.url, '/receipts/r-9')).status).toBe(404);
  });
});

describe('the stand-in ERP as a system that releases', () => {
  it('releases the covered containers after pulling a fresh exact conforms', async () => {
    await releaseByHint();
    expect(erp.ledger.books.releases).toMatchObject([
      { receiptId: 'r-1', revision: 3, containers: ['D-1', 'D-2'] },
    ]);
    expect(pulls).toBe(1);
  });

  const refusals: readonly [string, () => Record<string, unknown> | number][] = [
    ['is out of date', () => conforming({ validUntil: formatInstant(clock.now()) })],
    ['is of a lower revision than a message', () => conforming({ revision: 2 })],
    ['is of another environment', () => conforming({ environment: 'production' })],
    ['speaks of another receipt', () => conforming({ receipt: { receiptId: 'r-2' } })],
    ['says incomplete', () => conforming({ outcome: 'incomplete' })],
    ['says something unheard of', () => conforming({ outcome: 'CONFORMS' })],
    ['lists no covered container', () => conforming({ containers: [] })],
    ['is answered 503', () => 503],
  ];
  for (const [what, pulled] of refusals) {
    it(`never releases on a permitting message when the statement ${what}`, async () => {
      answer = pulled;
      await post(statement('d-1', 3, 'USE-PERMITTED'), 'k-1');
      await until(() => pulls === 1);
      await erp.releases.round();
      expect(erp.ledger.books.releases).toEqual([]);
      expect(state()?.usage).toBe('none');
    });
  }

  it('issues stock only after the holding time and one more pull', async () => {
    await releaseByHint();
    clock.forwardMs(HOLDING_MS - 1);
    await erp.releases.round();
    expect(erp.ledger.books.issues).toEqual([]);
    clock.forwardMs(1);
    answer = () => 503;
    await erp.releases.round();
    expect(erp.ledger.books.issues).toEqual([]);
    answer = () => conforming();
    await erp.releases.round();
    expect(erp.ledger.books.issues).toMatchObject([{ containers: ['D-1', 'D-2'] }]);
    await erp.releases.round();
    expect(erp.ledger.books.issues).toHaveLength(1);
  });

  it('blocks a released receipt on a stop, and issues nothing of it after that', async () => {
    await releaseByHint();
    await post(statement('d-2', 4, 'BLOCK-CONTRARY'), 'k-2');
    await until(() => state()?.usage === 'blocked');
    answer = () => conforming({ outcome: 'does-not-conform', revision: 4 });
    clock.forwardMs(HOLDING_MS * 2);
    await erp.releases.round();
    expect(erp.ledger.books.issues).toEqual([]);
    expect(state()?.usage).toBe('blocked');
  });

  it('does not act on a conforms that was pulled before a stop arrived', async () => {
    await releaseByHint();
    await post(statement('d-2', 4, 'BLOCK-DOUBT'), 'k-2');
    await until(() => state()?.usage === 'blocked');
    // The gateway's answer is an old one: revision 3, while revision 4 was heard of.
    await erp.releases.round();
    expect(state()?.usage).toBe('blocked');
  });

  it('blocks a released receipt when a pull says it conforms no more, message or not', async () => {
    await releaseByHint();
    answer = () => conforming({ outcome: 'incomplete', revision: 4 });
    await erp.releases.round();
    expect(state()?.usage).toBe('blocked');
  });

  it('blocks on a code it does not know', async () => {
    await releaseByHint();
    await post(statement('d-2', 4, 'USE-PERMITTED-MAYBE'), 'k-2');
    await until(() => state()?.usage === 'blocked');
  });
});
