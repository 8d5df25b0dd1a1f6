import { setImmediate as turn } from 'node:timers/promises';
import { describe, expect, it, vi } from 'vitest';
import type { DeliveryService } from '../../src/delivery/delivery.service.js';
import { setPause } from '../../src/delivery/destination-control.store.js';
import type {
  AskRequest,
  AskResult,
  Endpoint,
  SendRequest,
  SendResult,
} from '../../src/delivery/endpoint.js';
import { until } from '../support/until.js';
import { answerOf } from './answer-of.js';
import { Bench, type BenchOptions, SITE } from './northquay-bench.js';

const TURNS_OF_AN_ANSWER = 20;

/** A destination that stores what comes, twice what comes twice, and counts what is under way at once. */
class CountingEndpoint implements Endpoint {
  readonly sent: string[] = [];
  readonly asked: string[] = [];
  inFlightMost = 0;
  #inFlight = 0;
  /** Set: the next send stores and is answered when this resolves. */
  hold: Promise<void> | null = null;

  async send({ body }: SendRequest): Promise<SendResult> {
    const { reference } = JSON.parse(Buffer.from(body).toString()) as { reference: string };
    this.#inFlight += 1;
    this.inFlightMost = Math.max(this.inFlightMost, this.#inFlight);
    this.sent.push(reference);
    const held = this.hold;
    this.hold = null;
    await held;
    for (let i = 0; i < TURNS_OF_AN_ANSWER; i += 1) await turn();
    this.#inFlight -= 1;
    return answerOf(201, { reference, number: `L-${this.sent.length}` });
  }

  async ask({ path }: AskRequest): Promise<AskResult> {
    const reference = new URL(path, 'http://x').searchParams.get('reference') ?? '';
    this.asked.push(reference);
    for (let i = 0; i < TURNS_OF_AN_ANSWER; i += 1) await turn();
    const content = { reference, usage: 'NONE', score: '0.97' };
    const entries = this.sent
      .filter((sent) => sent === reference)
      .map(() => ({ applied: true, content }));
    return answerOf(200, { entries });
  }

  close(): Promise<void> {
    return Promise.resolve();
  }
}

async function open(options: Partial<BenchOptions> = {}) {
  const endpoint = new CountingEndpoint();
  const bench = await Bench.open({ baseUrl: 'http://127.0.0.1:1', endpoint, ...options });
  await bench.announce();
  const services = [bench.service, await bench.another()] as const;
  return { bench, endpoint, services };
}

/** All work side by side, each again and again, until nothing that was put in is due or under way. */
async function workTogether(bench: Bench, services: readonly DeliveryService[]): Promise<void> {
  const isOpen = async () => {
    const open = await bench.database.db
      .selectFrom('delivery')
      .select('id')
      .where('state', 'in', ['due', 'building', 'sending', 'uncertain'])
      .limit(1)
      .executeTakeFirst();
    return open !== undefined;
  };
  const working = services.map(async (service) => {
    while (await isOpen()) {
      await service.workOnce('lims');
      bench.clock.advance(1);
      // A look that finds nothing gives nobody else a turn.
      await turn();
    }
  });
  await Promise.all(working);
}

function gate() {
  let open: () => void = () => undefined;
  const opened = new Promise<void>((resolve) => {
    open = resolve;
  });
  return { open, opened };
}

describe('two workers over one outbox', () => {
  it('send everything once, in the order of each key, and never more at once than one may', async () => {
    const inFlightMax = 5;
    const { bench, endpoint, services } = await open({
      askable: false,
      timing: { inFlightMax, ratePerSecond: 100_000 },
    });
    const byKey = new Map<string, string[]>();
    for (let i = 0; i < 120; i += 1) {
      const orderingKey = `key-${i % 15}`;
      const id = await bench.enqueue({ subjectId: `r${i}`, orderingKey });
      byKey.set(orderingKey, [...(byKey.get(orderingKey) ?? []), id]);
    }
    await workTogether(bench, services);
    expect([...endpoint.sent].sort()).toEqual([...byKey.values()].flat().sort());
    for (const ids of byKey.values()) {
      expect(endpoint.sent.filter((id) => ids.includes(id))).toEqual(ids);
    }
    expect(endpoint.inFlightMost).toBeLessThanOrEqual(inFlightMax);
    const workers = await bench.database.db
      .selectFrom('attempt')
      .select('worker')
      .distinct()
      .execute();
    expect(workers).toHaveLength(2);
  });

  it('never spend one token twice', async () => {
    const { bench, endpoint, services } = await open({
      askable: false,
      timing: { ratePerSecond: 6 },
    });
    for (let i = 0; i < 30; i += 1) await bench.enqueue({ subjectId: `r${i}` });
    await Promise.all(services.map((service) => service.workOnce('lims')));
    expect(endpoint.sent).toHaveLength(6);
    bench.clock.advance(500);
    await Promise.all(services.map((service) => service.workOnce('lims')));
    expect(endpoint.sent).toHaveLength(9);
  });

  it('build a payload once and ask about a delivery once', async () => {
    const { bench, endpoint, services } = await open();
    const build = vi.spyOn(bench.mapping, 'build');
    const ids: string[] = [];
    for (let i = 0; i < 40; i += 1) ids.push(await bench.enqueue({ subjectId: `r${i}` }));
    await workTogether(bench, services);
    expect(build).toHaveBeenCalledTimes(ids.length);
    bench.clock.advance(bench.destination.timing.processingMs);
    await Promise.all(services.map((service) => service.workOnce('lims')));
    expect([...endpoint.asked].sort()).toEqual([...ids].sort());
    for (const id of ids) expect((await bench.row(id)).state).toBe('confirmed');
  });

  it('send a stop once', async () => {
    const { bench, endpoint, services } = await open();
    const stop = await bench.stop(1);
    await Promise.all(services.map((service) => service.workStops('lims')));
    expect(endpoint.sent).toEqual([stop]);
  });

  it('look again soon when another one has all the places, and not before what holds everything ends', async () => {
    const { bench, endpoint, services } = await open({
      askable: false,
      timing: { inFlightMax: 1 },
    });
    const [first, other] = services;
    const { open: answer, opened } = gate();
    await bench.enqueue({ subjectId: 'a' });
    await bench.enqueue({ subjectId: 'b' });
    endpoint.hold = opened;
    const working = first.workOnce('lims');
    await until('the first has left', () => endpoint.sent.length === 1);
    const { nextDueAt } = await other.workOnce('lims');
    expect(nextDueAt).not.toBeNull();
    expect(nextDueAt).toBeLessThanOrEqual(bench.clock.now() + 200_000);
    await bench.database.transact((trx) =>
      setPause(trx, { site: SITE, name: 'lims' }, { paused: 1, reason: 'maintenance', kept: null }),
    );
    expect(await other.workOnce('lims')).toEqual({ worked: 0, nextDueAt: null });
    answer();
    await working;
  });
});

describe('a live worker', () => {
  it('keeps what it sends for as long as it lives, and its key with it', async () => {
    const { bench, endpoint, services } = await open({ askable: false });
    const [slow, other] = services;
    const { open: answer, opened } = gate();
    const first = await bench.enqueue({ subjectId: 'a', orderingKey: 'k' });
    const second = await bench.enqueue({ subjectId: 'b', orderingKey: 'k' });
    endpoint.hold = opened;
    const working = slow.workOnce('lims');
    await until('the first has left', () => endpoint.sent.length === 1);
    bench.clock.advance(3_600_000);
    expect(await other.recover(bench.clock.now())).toBe(0);
    await other.workOnce('lims');
    expect(endpoint.sent).toEqual([first]);
    answer();
    await working;
    expect(endpoint.sent).toEqual([first, second]);
  });

  it('starts nothing while the others may think it dead', async () => {
    const { bench, endpoint } = await open({ askable: false });
    const silent = await bench.another({ mayStart: false });
    const id = await bench.enqueue({ subjectId: 'a' });
    const stop = await bench.stop(1);
    await silent.workOnce('lims');
    await silent.workStops('lims');
    expect(endpoint.sent).toEqual([]);
    expect(await bench.row(id)).toMatchObject({ state: 'due', fence: 0 });
    expect(await bench.row(stop)).toMatchObject({ state: 'due', fence: 0 });
  });
});

describe('a worker frozen until it was declared dead', () => {
  it('sends nothing that it claimed before', async () => {
    const { bench, endpoint } = await open({ askable: false });
    let looks = 0;
    // Awake when it claims the build and the send, asleep before the first byte.
    const slept = await bench.another({
      get mayStart() {
        looks += 1;
        return looks <= 2;
      },
    });
    const id = await bench.enqueue({ subjectId: 'a' });
    await slept.workOnce('lims');
    expect(endpoint.sent).toEqual([]);
    expect(await bench.row(id)).toMatchObject({ state: 'due', attempts: 1 });
    await bench.settle();
    expect(endpoint.sent).toEqual([id]);
  });

  it('sends nothing that it was still getting ready when it fell asleep', async () => {
    const { bench, endpoint } = await open({ askable: false });
    let isAwake = true;
    const slept = await bench.another({
      get mayStart() {
        return isAwake;
      },
    });
    const id = await bench.enqueue({ subjectId: 'a' });
    await bench.service.buildDue('lims');
    const forDigest = bench.mapping.forDigest.bind(bench.mapping);
    let looks = 0;
    // Asked for before the claims are sent, and again for each: the process sleeps while it waits for that.
    vi.spyOn(bench.mapping, 'forDigest').mockImplementation(async () => {
      looks += 1;
      if (looks === 2) isAwake = false;
      return await forDigest();
    });
    await slept.workOnce('lims');
    expect(looks).toBeGreaterThanOrEqual(2);
    expect(endpoint.sent).toEqual([]);
    expect(await bench.row(id)).toMatchObject({ state: 'due', attempts: 1 });
  });

  it('has what it was sending taken up by another, once, and its late write changes nothing', async () => {
    const { bench, endpoint, services } = await open();
    const [frozen, other] = services;
    const third = await bench.another();
    const { open: thaw, opened } = gate();
    const id = await bench.enqueue({ subjectId: 'a', orderingKey: 'k' });
    const next = await bench.enqueue({ subjectId: 'b', orderingKey: 'k' });
    endpoint.hold = opened;
    const working = frozen.workOnce('lims');
    await until('it has left', () => endpoint.sent.length === 1);
    await bench.declareDead();
    const now = bench.clock.now();
    const taken = await Promise.all([other.recover(now), third.recover(now)]);
    expect(Math.max(...taken)).toBe(1);
    expect(await bench.history(id)).toEqual(['send lost']);
    bench.service = await bench.another();
    await bench.settle();
    expect(await bench.history(id)).toEqual(['send lost', 'ask one']);
    const before = [await bench.row(id), await bench.row(next), await bench.attempts(id)];
    thaw();
    await working;
    expect([await bench.row(id), await bench.row(next), await bench.attempts(id)]).toEqual(before);
    expect(endpoint.sent).toEqual([id, next]);
  });

  it('has what it was building built by another', async () => {
    const { bench, endpoint, services } = await open({ askable: false });
    const [, other] = services;
    let isAwake = true;
    // Nothing of it goes on but what it holds: a look that it was in the middle of would take the build up again.
    const frozen = await bench.another({
      get mayStart() {
        return isAwake;
      },
    });
    const { open: thaw, opened } = gate();
    const build = bench.mapping.build.bind(bench.mapping);
    const spy = vi.spyOn(bench.mapping, 'build').mockImplementationOnce(async (...args) => {
      await opened;
      return await build(...args);
    });
    const id = await bench.enqueue({ subjectId: 'a' });
    const working = frozen.workOnce('lims');
    await until('it builds', () => spy.mock.calls.length === 1);
    isAwake = false;
    await bench.declareDead();
    expect(await other.recover(bench.clock.now())).toBe(1);
    bench.service = await bench.another();
    await bench.settle();
    const before = await bench.row(id);
    expect(before).toMatchObject({ state: 'accepted', attempts: 1 });
    thaw();
    await working;
    expect(await bench.row(id)).toEqual(before);
    expect(endpoint.sent).toEqual([id]);
  });
});
