import { expect, it } from 'vitest';
import type { AskResult, Endpoint, SendResult } from '../../src/delivery/endpoint.js';
import { cancelUnsentResult, destinationsHolding } from '../../src/delivery/outbox.store.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { until } from '../support/until.js';
import { Bench, SITE } from './northquay-bench.js';

/**
 * Where transactions do run beside each other: something is sent and refused for the moment, and the end of that is
 * written while another transaction, which found it as being sent, decides what becomes of it.
 */
class BusyOnce implements Endpoint {
  readonly sent: string[] = [];
  answer: () => void = () => undefined;
  readonly #answered = new Promise<void>((resolve) => {
    this.answer = resolve;
  });

  async send({ body }: { readonly body: Uint8Array }): Promise<SendResult> {
    const { reference } = JSON.parse(Buffer.from(body).toString()) as { reference: string };
    this.sent.push(reference);
    if (this.sent.length > 1) return { ...ANSWER, status: 201, body: stored(reference) };
    await this.#answered;
    return { ...ANSWER, status: 503, body: Buffer.from('busy') };
  }

  ask(): Promise<AskResult> {
    return Promise.resolve({ kind: 'unavailable', detail: 'not asked' });
  }

  close(): Promise<void> {
    return Promise.resolve();
  }
}

const ANSWER = { kind: 'answered', retryAfter: null, isCut: false } as const;

function stored(reference: string): Buffer {
  return Buffer.from(JSON.stringify({ reference, number: 'L-1' }));
}

async function open() {
  const endpoint = new BusyOnce();
  const bench = await Bench.open({
    baseUrl: 'http://127.0.0.1:1',
    endpoint,
    askable: false,
    timing: { deadlineMs: 20_000 },
  });
  await bench.announce();
  return { bench, endpoint };
}

/** Waits until the end of the send is written, or waits for what another session holds. */
async function writtenOrWaiting(bench: Bench, id: string): Promise<boolean> {
  return (await somebodyWaits(bench.database)) || (await bench.row(id)).state !== 'sending';
}

it('a conforms that was refused while a later one was stated gives way to it', async () => {
  const { bench, endpoint } = await open();
  const first = await bench.state(1, 'conforms');
  const working = bench.service.workOnce('lims');
  await until('it has left', () => endpoint.sent.length === 1);
  const second = await bench.state(2, 'conforms', 'R-1', async () => {
    endpoint.answer();
    await until('its end is written or waits', () => writtenOrWaiting(bench, first));
  });
  await working;
  bench.clock.advance(10_000);
  await bench.service.workOnce('lims');
  expect(endpoint.sent).toEqual([first, second]);
  expect((await bench.row(first)).state).toBe('superseded');
  expect((await bench.row(second)).state).toBe('accepted');
});

it('a result of no receipt that is taken back while it is refused is cancelled or withdrawn, never forgotten', async () => {
  const { bench, endpoint } = await open();
  const id = await bench.enqueue({ subjectId: 'a', receiptId: null });
  const working = bench.service.workOnce('lims');
  await until('it has left', () => endpoint.sent.length === 1);
  const told = await bench.database.transact(async (trx) => {
    const cancelled = await cancelUnsentResult(trx, SITE, 'a', 'superseded');
    endpoint.answer();
    await until('its end is written or waits', () => writtenOrWaiting(bench, id));
    return [...cancelled, ...(await destinationsHolding(trx, SITE, { id: 'a', revision: 1 }))];
  });
  await working;
  expect(told).toEqual(['lims']);
});
