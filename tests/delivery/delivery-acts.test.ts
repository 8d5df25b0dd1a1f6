import { describe, expect, it } from 'vitest';
import { DeliveryActs } from '../../src/delivery/delivery-acts.service.js';
import { setPause } from '../../src/delivery/destination-control.store.js';
import { addMs, type Instant } from '../../src/formats/instant.js';
import type { DeliveryAct } from '../../src/storage/tables.js';
import { Bench, type BenchOptions, SITE, siteFolder } from './northquay-bench.js';
import { Sink, type SinkOptions } from './sink.js';

const MESSAGES = ['result', 'withdrawal', 'statement', 'stop'];
const REFUSING = { status: 422, words: 'unit unknown (simulated)' };

interface World {
  readonly bench: Bench;
  readonly sink: Sink;
  readonly acts: DeliveryActs;
  act(id: string, act: DeliveryAct, who?: string): ReturnType<DeliveryActs['act']>;
}

async function open(
  options: Partial<BenchOptions> & { epoch?: number; epochAfterMs?: number } = {},
  sinkOptions: SinkOptions = {},
): Promise<World> {
  const { epoch = 1, epochAfterMs = 0, ...of } = options;
  const sink = await Sink.start({ honoursKey: of.honoursKey ?? false, ...sinkOptions });
  const bench = await Bench.open({
    baseUrl: sink.url,
    ...of,
  });
  await bench.announce();
  const { destination } = bench;
  const acts = new DeliveryActs({
    database: bench.database,
    clock: bench.clock,
    site: siteFolder([destination]),
    mappings: new Map([['lims', { digest: 'm2', messages: MESSAGES }]]),
    mapping: bench.mapping,
    epoch,
    epochSince: addMs(bench.clock.now(), epochAfterMs),
    onMoved: () => undefined,
  });
  const act: World['act'] = async (id, what, who = 'person-1') => {
    const version = (await acts.show(id))?.delivery.version ?? '';
    return acts.act(id, { act: what, version, reason: 'looked at', actor: person(who) });
  };
  return { bench, sink, acts, act };
}

function person(name: string) {
  return { kind: 'person', name, source: '192.0.2.7' } as const;
}

/** A withdrawal is overtaken by nothing, so that only what the destination did counts. */
function withdrawal(bench: Bench, subjectId: string, more: { orderingKey?: string } = {}) {
  return bench.enqueue({ subjectId, subjectKind: 'withdrawal', message: 'withdrawal', ...more });
}

describe('a delivery that was sent again after the clock was set back', () => {
  it('is in doubt, whatever was shown of the send before', async () => {
    const { bench: b, acts, act } = await open();
    const id = await withdrawal(b, 'w-1');
    const now = b.clock.now();
    const ahead = addMs(now, 3_600_000);
    const tried: readonly (readonly [string, string, Instant])[] = [
      ['send', 'uncertain', ahead],
      ['ask', 'absent', addMs(ahead, 10_000)],
      ['ask', 'absent', addMs(ahead, 20_000)],
      ['send', 'uncertain', now],
    ];
    for (const [index, [kind, outcome, at]] of tried.entries()) {
      await b.database.db
        .insertInto('attempt')
        .values({
          id: `attempt-${index}`,
          site: SITE,
          delivery_id: id,
          number: index + 1,
          kind: kind as 'send' | 'ask',
          worker: 'worker-1',
          fence: index + 1,
          started_at: at,
          finished_at: at,
          outcome,
          status: null,
          answer: null,
          detail: null,
        })
        .execute();
    }
    await b.database.db
      .updateTable('delivery')
      .set({ state: 'parked', fault: 'cannot-ask', attempts: 2, fence: tried.length })
      .where('id', '=', id)
      .execute();
    expect((await acts.show(id))?.delivery.standing).toBe('doubtful');
    expect(await act(id, 'rebuild')).toMatchObject({ kind: 'refused', code: 'not-known-absent' });
  });
});

describe('a delivery that its destination refused', () => {
  it('is resent under its own key and confirmed once; the act stands with it and in the trail', async () => {
    const { bench: b, sink, acts, act } = await open();
    sink.onSend(REFUSING);
    const id = await withdrawal(b, 'w1');
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'rejected', fault: 'rejected' });
    expect(await act(id, 'resend')).toMatchObject({ kind: 'done', done: 'sent-again' });
    expect(await b.row(id)).toMatchObject({ state: 'due', fault: 'rejected' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', fault: null, seq: 1 });
    expect(sink.entries).toHaveLength(1);
    expect(sink.seen.flatMap((r) => (r.method === 'POST' ? [r.key] : []))).toEqual([
      `"${id}.1"`,
      `"${id}.1"`,
    ]);
    expect((await acts.show(id))?.acts).toMatchObject([
      { act: 'resend', done: 'sent-again', reason: 'looked at' },
    ]);
    const trail = await b.database.db
      .selectFrom('audit_entry')
      .select(['actor', 'actor_kind', 'reason'])
      .where('action', '=', 'delivery.sent-again')
      .execute();
    expect(trail).toEqual([{ actor: 'person-1', actor_kind: 'person', reason: 'looked at' }]);
  });

  it('is rebuilt in its place: what waits behind it leaves after the new build', async () => {
    const { bench: b, sink, act } = await open();
    sink.onSend(REFUSING);
    const first = await withdrawal(b, 'w1', { orderingKey: 'result:a' });
    const behind = await withdrawal(b, 'w2', { orderingKey: 'result:a' });
    await b.settle();
    expect(await b.row(behind)).toMatchObject({ state: 'due', attempts: 0 });
    const done = await act(first, 'rebuild');
    if (done.kind !== 'done') throw new Error(JSON.stringify(done));
    expect(await b.row(first)).toMatchObject({ state: 'superseded', build: 1 });
    expect(await b.row(done.deliveryId)).toMatchObject({
      build: 2,
      seq: 1,
      mapping_digest: 'm2',
      idempotency_key: `${done.deliveryId}.1`,
      fault: 'rejected',
    });
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([done.deliveryId, behind]);
    expect(await b.row(done.deliveryId)).toMatchObject({ state: 'confirmed', fault: null });
    expect((await act(first, 'rebuild')).kind).toBe('refused');
  });

  it('is rebuilt once by two persons at the same time; a second click gets the first answer', async () => {
    const { bench: b, sink, acts } = await open();
    sink.onSend(REFUSING);
    const id = await withdrawal(b, 'w1');
    await b.settle();
    const version = (await acts.show(id))?.delivery.version ?? '';
    const rebuild = (who: string) =>
      acts.act(id, { act: 'rebuild', version, reason: 'mapping mended', actor: person(who) });
    const answers = await Promise.all([rebuild('person-1'), rebuild('person-2')]);
    expect(answers.map((a) => a.kind).sort()).toEqual(['changed', 'done']);
    const [winner] = answers
      .map((a, i) => (a.kind === 'done' ? `person-${i + 1}` : ''))
      .filter(Boolean);
    expect(await rebuild(winner ?? '')).toMatchObject({ kind: 'done', isRepeated: true });
    await b.settle();
    expect(sink.entries).toHaveLength(1);
    const builds = await b.database.db.selectFrom('delivery').select('build').execute();
    expect(builds).toHaveLength(2);
  });

  it('waits at a paused destination', async () => {
    const { bench: b, sink, act } = await open();
    sink.onSend(REFUSING);
    const id = await withdrawal(b, 'w1');
    await b.settle();
    await b.database.transact((trx) =>
      setPause(trx, { site: SITE, name: 'lims' }, { paused: 1, reason: 'maintenance', kept: null }),
    );
    await act(id, 'resend');
    await b.settle();
    expect(sink.entries).toEqual([]);
  });
});

describe('a delivery that may have arrived', () => {
  /** Commits and never answers, until its attempts are used up. */
  async function exhausted(options: Parameters<typeof open>[0]) {
    const world = await open({ timing: { attemptsMax: 1 }, ...options });
    world.sink.onSend('store-then-hang');
    const id = await withdrawal(world.bench, 'w1');
    await world.bench.service.workOnce('lims');
    return { ...world, id };
  }

  it('is parked and refused, with what to do, where nobody can be asked and the key means nothing', async () => {
    const { bench: b, sink, act, id } = await exhausted({ askable: false });
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
    for (const what of ['resend', 'rebuild'] as const) {
      const answer = await act(id, what);
      expect(answer).toMatchObject({ kind: 'refused' });
      expect(answer.kind === 'refused' && answer.remedy).toContain('Look there for its reference');
    }
    await b.settle();
    expect(sink.entries).toHaveLength(1);
  });

  it('goes out under its key where that is honoured, and is there once', async () => {
    const { bench: b, sink, act, id } = await exhausted({ askable: false, honoursKey: true });
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'exhausted' });
    expect(await act(id, 'resend')).toMatchObject({ done: 'sent-again' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'accepted', attempts: 2, fault: null });
    expect(sink.entries).toHaveLength(1);
  });

  it('does not once the destination may have forgotten the key', async () => {
    const {
      bench: b,
      act,
      id,
    } = await exhausted({
      askable: false,
      honoursKey: true,
      keyLifetimeMs: 60_000,
    });
    b.clock.advance(59_800);
    expect(await act(id, 'resend')).toMatchObject({ kind: 'refused', code: 'cannot-tell' });
  });

  it('is asked about instead of sent when it waited until its key may be forgotten', async () => {
    const { bench: b, sink } = await open({ honoursKey: true, keyLifetimeMs: 60_000 });
    sink.onSend('store-then-hang');
    const id = await withdrawal(b, 'w1');
    await b.service.workOnce('lims');
    expect(await b.row(id)).toMatchObject({ state: 'uncertain', next_ask_at: null });
    b.clock.advance(60_000);
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', attempts: 1 });
    expect(sink.sends()).toBe(1);
  });

  it('is asked about first, and confirmed without another send when it is there', async () => {
    const { bench: b, sink, act } = await open({ timing: { attemptsMax: 1 } });
    const id = await withdrawal(b, 'w1');
    sink.onSend('store-then-hang');
    await b.service.workOnce('lims');
    await park(b, id, 'differs');
    expect(await act(id, 'resend')).toMatchObject({ done: 'asked-first' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', attempts: 1 });
    expect(sink.entries).toHaveLength(1);
  });

  it('is asked about first, and leaves again once it is shown absent, its limits counted anew', async () => {
    const { bench: b, sink, act } = await open({ timing: { attemptsMax: 1 } });
    const id = await withdrawal(b, 'w1');
    sink.onSend('hang');
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'absent' });
    expect(await act(id, 'resend')).toMatchObject({ done: 'asked-first' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', attempts: 2 });
    expect(sink.entries).toHaveLength(1);
  });

  it('is rebuilt under a new key only after it was shown absent', async () => {
    const { bench: b, sink, act } = await open({ timing: { attemptsMax: 1 } });
    const id = await withdrawal(b, 'w1');
    sink.onSend('hang');
    await b.service.workOnce('lims');
    await park(b, id, 'differs');
    expect(await act(id, 'rebuild')).toMatchObject({ kind: 'refused', code: 'not-known-absent' });
    await act(id, 'resend');
    await b.settle();
    expect(sink.entries).toHaveLength(1);
  });

  it('is doubtful whatever its attempts say when another life of the database created it', async () => {
    const { bench: b, sink, acts } = await open({ askable: false, epoch: 2 });
    sink.onSend(REFUSING);
    const id = await withdrawal(b, 'w1');
    await b.settle();
    const shown = (await acts.show(id))?.delivery;
    expect(shown).toMatchObject({ standing: 'doubtful', rebuild: { can: false } });
    expect(shown?.resend).toMatchObject({ can: false, code: 'cannot-tell' });
  });

  it('waits while a later one of its key is asked about that another life may have sent', async () => {
    const { bench: b, sink, acts } = await open();
    sink.onSend(REFUSING);
    const id = await withdrawal(b, 'w1', { orderingKey: 'key' });
    await b.settle();
    const resend = async () => (await acts.show(id))?.delivery.resend;
    const later = await b.enqueue({ subjectId: 'x', orderingKey: 'key' });
    expect(await resend()).toMatchObject({ can: true });
    const now = b.clock.now();
    await b.database.db
      .updateTable('delivery')
      .set({ ask_since: now })
      .where('id', '=', later)
      .execute();
    expect(await resend()).toMatchObject({ can: false, code: 'out-of-order' });
    await b.settle();
    const { state, attempts } = await b.row(later);
    expect([state, attempts]).toEqual(['due', 0]);
    expect(await resend()).toMatchObject({ can: true });
  });

  it('is not sent again when another life may have sent it so long ago that its key may be forgotten', async () => {
    const { bench: b, acts } = await open({
      askable: false,
      honoursKey: true,
      keyLifetimeMs: 60_000,
      epoch: 2,
      epochAfterMs: 50_000,
    });
    const id = await withdrawal(b, 'w1');
    await park(b, id, 'cannot-ask');
    expect((await acts.show(id))?.delivery.resend).toMatchObject({ can: true });
    b.clock.advance(60_000);
    expect((await acts.show(id))?.delivery.resend).toMatchObject({
      can: false,
      code: 'cannot-tell',
    });
  });
});

describe('a statement', () => {
  it('is rebuilt only while it is the latest and no stop is in force; else it is given up', async () => {
    const { bench: b, sink, acts, act } = await open();
    sink.onSend(REFUSING);
    const first = await b.state(1, 'conforms');
    await b.settle();
    expect(await b.row(first)).toMatchObject({ state: 'rejected' });
    expect((await acts.show(first))?.delivery.rebuild).toMatchObject({ can: true });
    const second = await b.state(2, 'incomplete');
    await b.settle();
    // The refused one still holds the order of the receipt's statements.
    expect(await b.row(second)).toMatchObject({ state: 'due' });
    for (const what of ['resend', 'rebuild'] as const) {
      expect(await act(first, what)).toMatchObject({ kind: 'refused', code: 'overtaken' });
    }
    expect(await act(second, 'retire')).toMatchObject({ kind: 'refused', code: 'not-stopped' });
    expect(await act(first, 'retire')).toMatchObject({ kind: 'done', done: 'retired' });
    await b.settle();
    expect(await b.row(second)).toMatchObject({ state: 'confirmed' });
    expect(sink.entries.map((e) => e.reference)).toEqual([second]);
  });

  it('that conforms is not sent again while a stop is in force', async () => {
    const { bench: b, sink, act } = await open();
    sink.onSend(REFUSING);
    const conforms = await b.state(1, 'conforms');
    await b.settle();
    await b.database.transact((trx) => b.insertStop(trx, 'R-1', 1));
    expect(await act(conforms, 'resend')).toMatchObject({ kind: 'refused', code: 'overtaken' });
  });
});

describe('a stop whose payload is refused', () => {
  it('is rebuilt with the mapping in force, passes a pause, and holds every conforms until it is shown', async () => {
    const { bench: b, sink, acts, act } = await open();
    sink.onSend(REFUSING, REFUSING);
    const stop = await b.stop(1);
    await b.service.workStops('lims');
    expect(await b.row(stop)).toMatchObject({ state: 'due', fault: 'rejected' });
    await b.database.transact((trx) =>
      setPause(trx, { site: SITE, name: 'lims' }, { paused: 1, reason: 'maintenance', kept: null }),
    );
    const before = (await acts.show(stop))?.delivery.version;
    b.clock.advance(5_000);
    await b.service.workStops('lims');
    // Its tries go on while a person reads.
    expect((await acts.show(stop))?.delivery.version).toBe(before);
    const done = await act(stop, 'rebuild');
    if (done.kind !== 'done') throw new Error(JSON.stringify(done));
    expect(await b.row(done.deliveryId)).toMatchObject({ fault: 'rejected', build: 2 });
    await b.settle();
    expect(await b.row(done.deliveryId)).toMatchObject({ state: 'confirmed' });
    const row = await b.database.db.selectFrom('stop').selectAll().executeTakeFirstOrThrow();
    expect(row.effective_at).not.toBeNull();
    expect(sink.entries.map((e) => e.reference)).toEqual([done.deliveryId]);
  });
});

describe('several at once', () => {
  it('are each decided by themselves, and each is reported', async () => {
    const { bench: b, sink, acts } = await open();
    sink.onSend(REFUSING, REFUSING);
    await withdrawal(b, 'w1');
    await withdrawal(b, 'w2');
    await b.settle();
    const listed = await acts.list({
      destination: 'lims',
      fault: 'rejected',
      after: null,
      limit: 10,
    });
    expect(listed).toHaveLength(2);
    expect(await acts.counts()).toEqual([
      { destination: 'lims', state: 'rejected', fault: 'rejected', count: 2 },
    ]);
    const [one, two] = listed.map(({ id, version }) => ({ id, version }));
    if (!one || !two) throw new Error('two were listed');
    const asked = { act: 'resend', reason: 'mended there', actor: person('person-1') } as const;
    const reports = await acts.actOnAll([one, { ...two, version: '0'.repeat(64) }], asked);
    expect(reports).toMatchObject([
      { id: one.id, isDone: true, done: 'sent-again' },
      { id: two.id, isDone: false, code: 'delivery-changed' },
    ]);
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([one.id]);
    expect(
      await acts.list({ destination: 'lims', fault: 'differs', after: null, limit: 10 }),
    ).toEqual([]);
    expect(await acts.list({ destination: null, fault: null, after: two.id, limit: 10 })).toEqual(
      [],
    );
  });
});

/** As a judgement would leave it that a person has to look at. */
async function park(bench: Bench, id: string, fault: 'differs' | 'cannot-ask'): Promise<void> {
  await bench.database.db
    .updateTable('delivery')
    .set({ state: 'parked', fault, next_ask_at: null, due_at: bench.clock.now() as Instant })
    .where('id', '=', id)
    .execute();
}
