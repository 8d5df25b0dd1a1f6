import { describe, expect, it } from 'vitest';
import type { AskResult, Endpoint, SendRequest, SendResult } from '../../src/delivery/endpoint.js';
import { HttpEndpoint } from '../../src/delivery/http.endpoint.js';
import { until } from '../support/until.js';
import { answerOf } from './answer-of.js';
import { Bench, TIMING } from './northquay-bench.js';
import { Sink } from './sink.js';

/** Holds what the service does behind the commit of its next claim until it is let go. */
function holdNextClaim(bench: Bench) {
  let letGo: () => void = () => undefined;
  const held = new Promise<void>((resolve) => {
    letGo = resolve;
  });
  const claim = { isMade: false, letGo: () => letGo() };
  bench.afterWrite = async () => {
    bench.afterWrite = null;
    claim.isMade = true;
    await held;
  };
  return claim;
}

/** Accepts at once, and notes how long each send was given. */
class NotingEndpoint implements Endpoint {
  readonly deadlines: number[] = [];

  send({ body, deadlineMs }: SendRequest): Promise<SendResult> {
    this.deadlines.push(deadlineMs);
    const { reference } = JSON.parse(Buffer.from(body).toString()) as { reference: string };
    return Promise.resolve(answerOf(201, { reference, number: `L-${this.deadlines.length}` }));
  }

  ask(): Promise<AskResult> {
    return Promise.resolve({ kind: 'absent' });
  }

  close(): Promise<void> {
    return Promise.resolve();
  }
}

async function openWithCounter() {
  const endpoint = new NotingEndpoint();
  const counter = { ms: 1_000 };
  const bench = await Bench.open({
    baseUrl: 'http://127.0.0.1:1',
    askable: false,
    endpoint,
    monotonicMillis: () => counter.ms,
  });
  await bench.announce();
  return { bench, endpoint, counter };
}

/** A destination on a real socket whose first connection comes about when it is let; others at once. */
async function openWithSlowConnections(more: { readonly mayStart?: () => boolean } = {}) {
  const sink = await Sink.start();
  let letGo: () => void = () => undefined;
  const gone = new Promise<void>((resolve) => {
    letGo = resolve;
  });
  const connection = { isAwaited: false, letGo: () => letGo() };
  const endpoint = new HttpEndpoint({
    config: {
      kind: 'http',
      baseUrl: `http://sink.invalid:${sink.port}`,
      allow: ['127.0.0.0/8'],
      bearer: null,
    },
    connectionsMax: 4,
    connectTimeoutMs: 5_000,
    bearer: () => null,
    resolve: async () => {
      const isFirst = !connection.isAwaited;
      connection.isAwaited = true;
      if (isFirst) await gone;
      return [{ address: '127.0.0.1', family: 4 }];
    },
  });
  const counter = { ms: 1_000 };
  const bench = await Bench.open({
    baseUrl: sink.url,
    endpoint,
    // Real time, which does not pass for a machine that sleeps.
    timing: { deadlineMs: 5_000 },
    monotonicMillis: () => counter.ms,
  });
  await bench.announce();
  const { mayStart } = more;
  const sleeper = await bench.another(
    mayStart === undefined
      ? {}
      : {
          get mayStart() {
            return mayStart();
          },
        },
  );
  return { sink, connection, bench, counter, sleeper };
}

describe('a machine that sleeps while a send waits for its connection', () => {
  it('lets nothing leave once the deadline passed meanwhile: it is known unsent, and sent once', async () => {
    const { sink, connection, bench, counter, sleeper } = await openWithSlowConnections();
    const id = await bench.enqueue({ subjectId: 'a' });
    await bench.service.buildDue('lims');
    const working = sleeper.workOnce('lims');
    await until('it waits for a connection', () => connection.isAwaited);
    counter.ms += 5_000;
    connection.letGo();
    await working;
    expect(sink.sends()).toBe(0);
    expect(await bench.row(id)).toMatchObject({ state: 'due', attempts: 1, attempts_before: 1 });
    expect((await bench.attempts(id))[0]).toMatchObject({
      outcome: 'postponed',
      detail: expect.stringContaining('deadline'),
    });
    await bench.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    expect(await bench.history(id)).toEqual(['send postponed', 'send accepted', 'ask one']);
  });

  it('doubles nothing that another worker sent in its place after it was declared dead', async () => {
    let isHeardOf = true;
    const mayStart = () => isHeardOf;
    const { sink, connection, bench, sleeper } = await openWithSlowConnections({ mayStart });
    const id = await bench.enqueue({ subjectId: 'a' });
    await bench.service.buildDue('lims');
    const working = sleeper.workOnce('lims');
    await until('it waits for a connection', () => connection.isAwaited);
    isHeardOf = false;
    await bench.declareDead();
    bench.service = await bench.another();
    await bench.service.recover(bench.clock.now());
    await bench.settle();
    expect((await bench.row(id)).state).toBe('confirmed');
    connection.letGo();
    await working;
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    expect((await bench.row(id)).state).toBe('confirmed');
  });

  it('lets no conforms leave behind the stop that was confirmed meanwhile', async () => {
    const { sink, connection, bench, counter, sleeper } = await openWithSlowConnections();
    const conforms = await bench.state(1, 'conforms');
    await bench.service.buildDue('lims');
    const working = sleeper.workOnce('lims');
    await until('it waits for a connection', () => connection.isAwaited);
    const stop = await bench.stop(2);
    counter.ms += 3_600_000;
    bench.clock.advance(3_600_000);
    await bench.settle();
    expect((await bench.row(stop)).state).toBe('confirmed');
    connection.letGo();
    await working;
    await bench.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([stop]);
    expect((await bench.row(conforms)).state).toBe('superseded');
  });
});

describe('what happens between a claim and its first byte', () => {
  it('a conforms that was fenced meanwhile never leaves, however late its send goes on', async () => {
    const sink = await Sink.start();
    const b = await Bench.open({ baseUrl: sink.url });
    await b.announce();
    const conforms = await b.state(1, 'conforms');
    await b.service.buildDue('lims');
    const claim = holdNextClaim(b);
    const working = b.service.workOnce('lims');
    await until('the conforms is claimed', () => claim.isMade);
    const stop = await b.stop(2);
    for (let round = 0; round < 4; round += 1) {
      await b.service.workStops('lims');
      b.clock.advance(TIMING.deadlineMs + TIMING.processingMs);
    }
    expect((await b.row(stop)).state).toBe('confirmed');
    claim.letGo();
    await working;
    expect(sink.entries.map((e) => e.reference)).toEqual([stop]);
    expect(await b.history(conforms)).toEqual(['send postponed']);
    expect((await b.row(conforms)).state).toBe('superseded');
  });

  it('takes its time off the deadline, by a counter that nobody sets', async () => {
    const { bench, endpoint, counter } = await openWithCounter();
    await bench.enqueue({ subjectId: 'a' });
    await bench.service.buildDue('lims');
    const claim = holdNextClaim(bench);
    const working = bench.service.workOnce('lims');
    await until('it is claimed', () => claim.isMade);
    counter.ms += 100;
    bench.clock.advance(-3_600_000);
    claim.letGo();
    await working;
    expect(endpoint.deadlines).toEqual([TIMING.deadlineMs - 100]);
  });

  it('is no attempt that a limit counts: it is never parked for what the gateway itself held up', async () => {
    const { bench, endpoint, counter } = await openWithCounter();
    const id = await bench.enqueue({ subjectId: 'a' });
    await bench.service.buildDue('lims');
    const late = TIMING.attemptsMax + 2;
    for (let n = 0; n < late; n += 1) {
      const claim = holdNextClaim(bench);
      const working = bench.service.workOnce('lims');
      await until('it is claimed', () => claim.isMade);
      // A quarter of it is too little to be answered in.
      counter.ms += TIMING.deadlineMs * 0.8;
      claim.letGo();
      await working;
      expect((await bench.row(id)).state).toBe('due');
      // A second later at most, however often it was late.
      bench.clock.advance(1_000);
    }
    await bench.service.workOnce('lims');
    expect(endpoint.deadlines).toHaveLength(1);
    expect(await bench.row(id)).toMatchObject({
      state: 'accepted',
      attempts: late + 1,
      attempts_before: late,
    });
  });

  it.each(['result', 'stop'] as const)(
    'a %s of whose deadline nothing is left has not left, and leaves the next time',
    async (kind) => {
      const { bench, endpoint, counter } = await openWithCounter();
      const id = kind === 'stop' ? await bench.stop(1) : await bench.enqueue({ subjectId: 'a' });
      await bench.service.buildDue('lims');
      const claim = holdNextClaim(bench);
      const work = () =>
        kind === 'stop' ? bench.service.workStops('lims') : bench.service.workOnce('lims');
      const working = work();
      await until('it is claimed', () => claim.isMade);
      counter.ms += TIMING.deadlineMs;
      claim.letGo();
      await working;
      expect(endpoint.deadlines).toEqual([]);
      expect(await bench.row(id)).toMatchObject({ state: 'due', attempts: 1 });
      bench.clock.advance(TIMING.retryMaxMs);
      await work();
      expect(endpoint.deadlines).toEqual([TIMING.deadlineMs]);
      expect(await bench.history(id)).toEqual(['send postponed', 'send accepted']);
    },
  );
});
