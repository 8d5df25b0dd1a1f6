import { describe, expect, it } from 'vitest';
import type { AskResult, Endpoint, SendRequest, SendResult } from '../../src/delivery/endpoint.js';
import { HttpEndpoint } from '../../src/delivery/http.endpoint.js';
import { Bench, type BenchOptions, TIMING } from './northquay-bench.js';
import { Sink } from './sink.js';

const MOMENTS = ['before a byte left', 'after the answer came'] as const;

/**
 * The process dies at a chosen moment of its first send: before the request leaves or after the answer
 * came. What it would have written after that is never written.
 */
class DyingEndpoint implements Endpoint {
  #isAlive = true;
  #died: () => void = () => undefined;
  readonly died = new Promise<void>((resolve) => {
    this.#died = resolve;
  });

  constructor(
    private readonly inner: Endpoint,
    private readonly moment: (typeof MOMENTS)[number],
  ) {}

  async send(request: SendRequest): Promise<SendResult> {
    if (!this.#isAlive) return await this.inner.send(request);
    this.#isAlive = false;
    if (this.moment === 'after the answer came') await this.inner.send(request);
    this.#died();
    return await new Promise(() => {
      // A dead process never hears the answer.
    });
  }

  ask(request: Parameters<Endpoint['ask']>[0]): Promise<AskResult> {
    return this.inner.ask(request);
  }

  close(): Promise<void> {
    return this.inner.close();
  }
}

/** Work of a process that dies, or of one that the test does not wait for: nobody hears how it ends. */
function unheard(work: Promise<unknown>): void {
  work.catch(() => undefined);
}

async function dying(moment: (typeof MOMENTS)[number], options: Partial<BenchOptions>) {
  const sink = await Sink.start({ honoursKey: options.honoursKey ?? false });
  const inner = new HttpEndpoint({
    config: { kind: 'http', baseUrl: sink.url, allow: ['127.0.0.0/8'], bearer: null },
    connectionsMax: 4,
    connectTimeoutMs: 250,
    bearer: () => null,
  });
  const endpoint = new DyingEndpoint(inner, moment);
  const bench = await Bench.open({ baseUrl: sink.url, endpoint, ...options });
  await bench.announce();
  return { bench, sink, endpoint, inner };
}

const KINDS = [
  ['honours the key', { honoursKey: true, askable: false }],
  ['can be asked', { honoursKey: false, askable: true }],
  ['both', { honoursKey: true, askable: true }],
] as const;

describe.each(MOMENTS)('a process killed between T3 and T4, %s', (moment) => {
  it.each(KINDS)('leaves one effect at a destination that %s', async (_, options) => {
    const { bench: b, sink, endpoint, inner } = await dying(moment, options);
    const id = await b.enqueue({ subjectId: 'a' });
    unheard(b.service.workOnce('lims'));
    await endpoint.died;
    expect(await b.row(id)).toMatchObject({ state: 'sending', attempts: 1 });
    expect(await b.history(id)).toEqual(['send open']);
    await b.restart();
    expect(await b.row(id)).toMatchObject({ state: 'uncertain' });
    expect(await b.history(id)).toEqual(['send lost']);
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    expect((await b.row(id)).state).toBe(options.askable ? 'confirmed' : 'accepted');
    const keys = new Set(sink.seen.filter((r) => r.method === 'POST').map((r) => r.key));
    expect([...keys]).toEqual([`"${id}.1"`]);
    await inner.close();
  });

  it('leaves at most one effect and a parked doubt where neither holds', async () => {
    const { bench: b, sink, endpoint, inner } = await dying(moment, { askable: false });
    const id = await b.enqueue({ subjectId: 'a' });
    unheard(b.service.workOnce('lims'));
    await endpoint.died;
    await b.restart();
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
    expect(sink.entries.length).toBe(moment === 'before a byte left' ? 0 : 1);
    await inner.close();
  });
});

describe('recover', () => {
  it('asks an askable destination before anything is sent again', async () => {
    const { bench: b, sink, endpoint, inner } = await dying('after the answer came', {});
    const id = await b.enqueue({ subjectId: 'a' });
    unheard(b.service.workOnce('lims'));
    await endpoint.died;
    await b.restart();
    await b.settle();
    expect(await b.history(id)).toEqual(['send lost', 'ask one']);
    expect(sink.sends()).toBe(1);
    await inner.close();
  });

  it('lets what comes after in the key go once the interrupted one is through', async () => {
    const {
      bench: b,
      sink,
      endpoint,
      inner,
    } = await dying('before a byte left', {
      honoursKey: true,
    });
    const first = await b.enqueue({ subjectId: 'a', orderingKey: 'k' });
    const second = await b.enqueue({ subjectId: 'b', orderingKey: 'k' });
    unheard(b.service.workOnce('lims'));
    await endpoint.died;
    await b.restart();
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([first, second]);
    await inner.close();
  });

  it('never resends a conforms that a stop overtook while the process was dead', async () => {
    const {
      bench: b,
      sink,
      endpoint,
      inner,
    } = await dying('before a byte left', {
      honoursKey: true,
    });
    const conforms = await b.state(1, 'conforms');
    unheard(b.service.workOnce('lims'));
    await endpoint.died;
    await b.stop(2);
    await b.restart();
    await b.settle();
    expect(sink.entries.some((e) => e.reference === conforms)).toBe(false);
    await inner.close();
  });

  it('takes up an interrupted stop and sends it', async () => {
    const {
      bench: b,
      sink,
      endpoint,
      inner,
    } = await dying('before a byte left', {
      askable: true,
    });
    const stop = await b.stop(1);
    unheard(b.service.workStops('lims'));
    await endpoint.died;
    await b.restart();
    await b.settle();
    expect((await b.row(stop)).state).toBe('confirmed');
    expect(sink.entries.map((e) => e.reference)).toEqual([stop]);
    await inner.close();
  });

  it('makes an interrupted build due again', async () => {
    const sink = await Sink.start();
    const b = await Bench.open({ baseUrl: sink.url });
    await b.announce();
    const id = await b.enqueue({ subjectId: 'a' });
    await b.database.db
      .updateTable('delivery')
      .set({ state: 'building', claimed_by: 'a process that is gone', fence: 1 })
      .where('id', '=', id)
      .execute();
    await b.restart();
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
  });

  it('leaves alone what this process is sending', async () => {
    const sink = await Sink.start();
    const b = await Bench.open({ baseUrl: sink.url });
    await b.announce();
    sink.onSend('store-then-hang');
    const id = await b.enqueue({ subjectId: 'a' });
    const working = b.service.workOnce('lims');
    await expect.poll(() => sink.sends()).toBe(1);
    expect(await b.service.recover(b.clock.now())).toBe(0);
    expect((await b.row(id)).state).toBe('sending');
    await working;
  });

  it('happens by itself after a write failed: what was sent then is not sent blindly again', async () => {
    const sink = await Sink.start();
    const b = await Bench.open({ baseUrl: sink.url });
    await b.announce();
    sink.onSend('store-then-hang');
    const id = await b.enqueue({ subjectId: 'a' });
    const working = b.service.workOnce('lims');
    await expect.poll(() => sink.sends()).toBe(1);
    b.failsWrites = true;
    await expect(working).rejects.toThrow('SQLITE_FULL');
    expect((await b.row(id)).state).toBe('sending');
    b.failsWrites = false;
    await b.settle();
    expect(await b.history(id)).toEqual(['send lost', 'ask one']);
    expect(sink.sends()).toBe(1);
  });

  it('lets the late end of a worker that was thought dead change nothing', async () => {
    const sink = await Sink.start();
    const b = await Bench.open({ baseUrl: sink.url });
    await b.announce();
    sink.onSend('store-then-hang');
    const id = await b.enqueue({ subjectId: 'a' });
    const paused = b.service.workOnce('lims');
    await expect.poll(() => sink.sends()).toBe(1);
    await b.restart();
    await b.settle();
    const before = await b.row(id);
    await paused;
    expect(await b.row(id)).toEqual(before);
    expect(sink.entries).toHaveLength(1);
  });
});

describe('a clock that was an hour ahead and went back', () => {
  it('leaves nothing waiting for that hour: neither sends nor questions nor the breaker', async () => {
    const sink = await Sink.start({ honoursKey: true });
    const b = await Bench.open({ baseUrl: sink.url, honoursKey: true });
    await b.announce();
    const taken = await b.enqueue({ subjectId: 'a' });
    await b.service.buildDue('lims');
    b.clock.advance(3_600_000);
    const later = await b.enqueue({ subjectId: 'b' });
    await b.database.db
      .updateTable('destination')
      .set({ breaker: 'open', breaker_failures: 5, breaker_until: b.clock.now() })
      .execute();
    b.clock.advance(-3_600_000);
    expect(await b.service.recover(b.clock.now())).toBe(1);
    expect(await b.service.recover(b.clock.now())).toBe(0);
    await b.settle();
    for (const id of [taken, later]) expect((await b.row(id)).state).toBe('confirmed');
  });

  it('counts an absence from the first question on where the send itself lies ahead of the clock', async () => {
    const sink = await Sink.start({ honoursKey: false });
    const b = await Bench.open({ baseUrl: sink.url, honoursKey: false });
    await b.announce();
    sink.onSend('reset');
    const id = await b.enqueue({ subjectId: 'a' });
    b.clock.advance(3_600_000);
    await b.service.workOnce('lims');
    expect((await b.row(id)).state).toBe('uncertain');
    b.clock.advance(-3_600_000);
    const backAt = b.clock.now();
    await b.service.recover(backAt);
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    // No sooner than an absence counts, and within minutes rather than the hour.
    const resent = (await b.attempts(id)).find(({ outcome }) => outcome === 'accepted');
    const waitedMs = ((resent?.started_at ?? 0) - backAt) / 1000;
    expect(waitedMs).toBeGreaterThanOrEqual(TIMING.deadlineMs + TIMING.settleMs);
    expect(waitedMs).toBeLessThan(600_000);
  });

  it('cuts no wait short that a destination may ask for', async () => {
    const sink = await Sink.start({ honoursKey: true });
    const b = await Bench.open({ baseUrl: sink.url, honoursKey: true });
    await b.announce();
    sink.onSend({ status: 503, retryAfter: '900' });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.service.workOnce('lims');
    const { due_at: dueAt } = await b.row(id);
    expect(await b.service.recover(b.clock.now())).toBe(0);
    expect((await b.row(id)).due_at).toBe(dueAt);
  });
});

describe('what another failure leaves behind', () => {
  it('is taken up also when it failed while earlier losses were being taken up', async () => {
    const sink = await Sink.start({ honoursKey: true });
    const b = await Bench.open({ baseUrl: sink.url, honoursKey: true });
    await b.announce();
    const first = await b.enqueue({ subjectId: 'a' });
    /** From the commit that claims it on, nothing can be written: its answer is lost. */
    const loseTheAnswerOf = (id: string) => {
      b.afterWrite = async () => {
        if ((await b.row(id)).state === 'sending') b.failsWrites = true;
      };
    };
    const writeAgain = () => {
      b.afterWrite = null;
      b.failsWrites = false;
    };
    loseTheAnswerOf(first);
    await expect(b.service.workOnce('lims')).rejects.toThrow('SQLITE_FULL');
    writeAgain();
    expect((await b.row(first)).state).toBe('sending');
    const stop = await b.stop(1);
    b.beforeWrite = async () => {
      b.beforeWrite = null;
      loseTheAnswerOf(stop);
      await expect(b.service.workStops('lims')).rejects.toThrow('SQLITE_FULL');
      writeAgain();
    };
    await b.service.workOnce('lims');
    expect((await b.row(stop)).state).toBe('sending');
    await b.service.workStops('lims');
    expect((await b.row(stop)).state).not.toBe('sending');
    await b.settle();
    expect((await b.row(stop)).state).toBe('confirmed');
    expect((await b.row(first)).state).toBe('confirmed');
  });

  it('holds up no new stop behind one that its destination does not answer', async () => {
    const sink = await Sink.start({ honoursKey: true });
    const inner = new HttpEndpoint({
      config: { kind: 'http', baseUrl: sink.url, allow: ['127.0.0.0/8'], bearer: null },
      connectionsMax: 4,
      connectTimeoutMs: 250,
      bearer: () => null,
    });
    const endpoint = new DyingEndpoint(inner, 'before a byte left');
    const b = await Bench.open({ baseUrl: sink.url, honoursKey: true, endpoint });
    await b.announce();
    await b.announce('R-2');
    await b.stop(1);
    let ring: () => void = () => undefined;
    const rung = new Promise<void>((resolve) => {
      ring = resolve;
    });
    const working = b.service.workStops('lims', { next: () => rung });
    await endpoint.died;
    const later = await b.stop(1, 'R-2');
    b.failsWrites = true;
    ring();
    // The first one is never answered here; who works on stops hears of the failure all the same.
    await expect(working).rejects.toThrow('SQLITE_FULL');
    b.failsWrites = false;
    unheard(b.service.workStops('lims'));
    await expect.poll(async () => (await b.row(later)).state).toBe('accepted');
    await inner.close();
  });

  it('is taken up also while something stands as sending to a destination that this process does not know', async () => {
    const sink = await Sink.start();
    const b = await Bench.open({ baseUrl: sink.url });
    await b.announce();
    const unknown = await b.enqueue({ subjectId: 'a', destination: 'gone' });
    const stop = await b.stop(1);
    await b.database.db
      .updateTable('delivery')
      .set({ state: 'sending', attempts: 1, fence: 1, claimed_by: 'dead' })
      .where('id', 'in', [unknown, stop])
      .execute();
    expect(await b.service.recover(b.clock.now())).toBe(1);
    expect((await b.row(stop)).state).toBe('uncertain');
    // Whoever knows the destination asks it, or says that nobody can.
    expect(await b.row(unknown)).toMatchObject({ state: 'sending', claimed_by: 'dead' });
  });
});
