import { describe, expect, it } from 'vitest';
import { hasFailingStop } from '../../src/delivery/due-deliveries.store.js';
import type { AskRequest, AskResult, Endpoint, SendResult } from '../../src/delivery/endpoint.js';
import { cancelUnsentConforms } from '../../src/delivery/outbox.store.js';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { until } from '../support/until.js';
import { answerOf } from './answer-of.js';
import { Bench, type BenchOptions, SITE } from './northquay-bench.js';

/** A destination whose first answer comes when the test says so. */
class SlowOnce implements Endpoint {
  readonly sent: string[] = [];
  answer: (status: number) => void = () => undefined;
  readonly #first = new Promise<number>((resolve) => {
    this.answer = resolve;
  });

  async send({ body }: { readonly body: Uint8Array }): Promise<SendResult> {
    const { reference } = JSON.parse(Buffer.from(body).toString()) as { reference: string };
    this.sent.push(reference);
    const status = this.sent.length === 1 ? await this.#first : 201;
    return answerOf(status, { reference, number: 'L-1' });
  }

  ask({ path }: AskRequest): Promise<AskResult> {
    const reference = new URL(path, 'http://x').searchParams.get('reference') ?? '';
    const content = { reference, usage: 'BLOCK-CONTRARY', score: '0.97' };
    return Promise.resolve(answerOf(200, { entries: [{ applied: true, content }] }));
  }

  close(): Promise<void> {
    return Promise.resolve();
  }
}

async function open(options: Partial<BenchOptions> = {}) {
  const endpoint = new SlowOnce();
  const timing = { deadlineMs: 20_000 };
  const b = await Bench.open({ baseUrl: 'http://127.0.0.1:1', endpoint, timing, ...options });
  await b.announce();
  return { b, endpoint };
}

describe('a stop that is still being sent when a later one of its receipt is shown in force', () => {
  it('is overtaken, and a refusal of it keeps no conforms away', async () => {
    const { b, endpoint } = await open();
    const early = await b.stop(1);
    const sending = b.service.workStops('lims');
    await until('the first has left', () => endpoint.sent.length === 1);
    const later = await b.stop(2);
    const other = await b.another();
    await other.workStops('lims');
    b.clock.advance(b.destination.timing.processingMs);
    await other.workStops('lims');
    expect((await b.row(later)).state).toBe('confirmed');
    endpoint.answer(409);
    await sending;
    expect(await b.row(early)).toMatchObject({ state: 'superseded', fault: null });
    const isFailing = await b.database.transact((trx) => hasFailingStop(trx, SITE, 'lims'));
    expect(isFailing).toBe(false);
    b.clock.advance(60_000);
    await other.workStops('lims');
    expect(endpoint.sent).toEqual([early, later]);
  });
});

describe('a conforms that is being sent when its receipt is stopped, where neither can be asked nor takes stops', () => {
  it('waits for a person, so that the statement that names the stop does not wait behind it for good', async () => {
    const { b, endpoint } = await open({ askable: false });
    const conforms = await b.state(1, 'conforms');
    const sending = b.service.workOnce('lims');
    await until('it has left', () => endpoint.sent.length === 1);
    const now = b.clock.now();
    const next = await b.database.transact(async (trx) => {
      await lockReceipts(trx, SITE, ['R-1']);
      await b.insertStatement(trx, 'R-1', 2, 'does-not-conform');
      await b.insertStop(trx, 'R-1', 2);
      await cancelUnsentConforms(trx, SITE, 'R-1', 'stopped', now);
      return await b.enqueueStatement(trx, 2, false);
    });
    endpoint.answer(201);
    await sending;
    await b.service.workOnce('lims');
    expect(await b.row(conforms)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
    expect((await b.row(next)).state).toBe('due');
  });
});

describe('a result in doubt that cannot be asked about, of a receipt that is stopped', () => {
  it('waits for a person and not for the stop, which says nothing of it', async () => {
    const { b } = await open({ askable: false });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.service.buildDue('lims');
    await b.stop(2);
    await b.database.db
      .updateTable('delivery')
      .set({ state: 'uncertain', attempts: 1, next_ask_at: b.clock.now() })
      .where('id', '=', id)
      .execute();
    await b.service.workOnce('lims');
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
  });
});
