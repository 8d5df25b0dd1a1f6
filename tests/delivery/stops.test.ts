import { describe, expect, it } from 'vitest';
import { stopsNotEffective } from '../../src/delivery/delivery-report.store.js';
import { setPause } from '../../src/delivery/destination-control.store.js';
import { RESTORE_PAUSE, STOP_RETRY_MAX_MS } from '../../src/delivery/stop-policy.js';
import { addMs } from '../../src/formats/instant.js';
import { Bench, type BenchOptions, PERMIT, SITE } from './northquay-bench.js';
import { Sink, type SinkOptions } from './sink.js';

async function bench(
  options: Partial<BenchOptions> = {},
  sinkOptions: SinkOptions = {},
): Promise<{ bench: Bench; sink: Sink }> {
  const sink = await Sink.start({ honoursKey: options.honoursKey ?? true, ...sinkOptions });
  const made = await Bench.open({ baseUrl: sink.url, honoursKey: true, ...options });
  await made.announce();
  return { bench: made, sink };
}

async function stopRow(b: Bench, revision: number) {
  return await b.database.db
    .selectFrom('stop')
    .selectAll()
    .where('id', '=', `stop-R-1-${revision}`)
    .executeTakeFirstOrThrow();
}

describe('a stop against a conforms (release-safety rule 21)', () => {
  it('cancels one that has not left', async () => {
    const { bench: b, sink } = await bench();
    const conforms = await b.state(1, 'conforms');
    await b.service.buildDue('lims');
    const stop = await b.stop(2);
    await b.settle();
    expect((await b.row(conforms)).state).toBe('cancelled');
    expect((await b.row(stop)).state).toBe('confirmed');
    expect(sink.entries.map((e) => e.reference)).toEqual([stop]);
    expect((await stopRow(b, 2)).effective_at).not.toBeNull();
  });

  it.each([
    ['honours the key', { honoursKey: true, askable: false }],
    ['can be asked', { honoursKey: false, askable: true }],
    ['both', { honoursKey: true, askable: true }],
  ])('never resends a doubtful one to a destination that %s', async (_, options) => {
    const { bench: b, sink } = await bench(options);
    sink.onSend('reset');
    const conforms = await b.state(1, 'conforms');
    await b.service.workOnce('lims');
    expect((await b.row(conforms)).state).toBe('uncertain');
    await b.stop(2);
    await b.settle();
    const sentConforms = (await b.attempts(conforms)).filter((a) => a.kind === 'send');
    expect(sentConforms).toHaveLength(1);
    expect(sink.entries.some((e) => e.reference === conforms)).toBe(false);
  });

  it('takes nothing from the outcome of an attempt that was in flight', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('store-then-hang');
    const conforms = await b.state(1, 'conforms');
    const working = b.service.workOnce('lims');
    await expect.poll(() => sink.sends()).toBe(1);
    await b.stop(2);
    await working;
    // The read-back found it there; the attempt's own end was too late to say anything.
    expect((await b.row(conforms)).state).toBe('confirmed');
    expect(await b.history(conforms)).toContain('send uncertain');
    const trail = await b.database.db
      .selectFrom('audit_entry')
      .select('action')
      .where('subject_id', '=', conforms)
      .execute();
    expect(trail.map((t) => t.action)).toContain('delivery.late-outcome');
    await b.settle();
    expect(sink.entries.filter((e) => e.reference === conforms)).toHaveLength(1);
  });

  it('is read back past the deadline of the conforms in flight and the processing time', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('store-then-hang');
    const conforms = await b.state(1, 'conforms');
    await b.service.workOnce('lims');
    const sentAt = (await b.attempts(conforms))[0]?.started_at ?? 0;
    const stop = await b.stop(2);
    await b.settle();
    const confirmedAt = (await b.row(stop)).confirmed_at ?? 0;
    expect(confirmedAt).toBeGreaterThanOrEqual(sentAt + 650_000);
  });

  it('frees the key of the fenced conforms once it is in force', async () => {
    const { bench: b, sink } = await bench({ honoursKey: true, askable: true });
    sink.onSend('reset');
    sink.onAsk(...Array.from({ length: 3 }, () => ({ status: 503 })));
    const conforms = await b.state(1, 'conforms');
    await b.service.workOnce('lims');
    await b.stop(2);
    await b.settle();
    expect((await b.row(conforms)).state).toBe('superseded');
    const later = await b.state(3, 'incomplete');
    await b.settle();
    expect((await b.row(later)).state).toBe('confirmed');
  });

  it('bars a conforms that is put in although a stop is in force', async () => {
    const { bench: b, sink } = await bench();
    await b.stop(1);
    const conforms = await b.state(2, 'conforms');
    await b.settle();
    expect((await b.row(conforms)).state).toBe('due');
    expect(sink.entries.some((e) => e.reference === conforms)).toBe(false);
  });

  it('bars a conforms of a lower revision than the latest statement', async () => {
    const { bench: b, sink } = await bench();
    const old = await b.state(1, 'conforms');
    await b.state(2, 'conforms');
    // As if the later revision had not superseded it.
    await b.database.db
      .updateTable('delivery')
      .set({ state: 'due' })
      .where('id', '=', old)
      .execute();
    await b.settle();
    expect(sink.entries.some((e) => e.reference === old)).toBe(false);
  });
});

describe('the slot of a stop (release-safety rule 22)', () => {
  it('passes a pause, an open breaker, a used-up rate and its own site’s order', async () => {
    const { bench: b, sink } = await bench({ timing: { ratePerSecond: 1, inFlightMax: 1 } });
    sink.onSend(...Array.from({ length: 5 }, () => ({ status: 503 })));
    for (let i = 0; i < 5; i += 1) {
      await b.enqueue({ subjectId: `r${i}` });
      await b.service.workOnce('lims');
      b.clock.advance(3_000);
    }
    await b.database.transact((trx) =>
      setPause(trx, { site: SITE, name: 'lims' }, { paused: 1, reason: 'maintenance', kept: null }),
    );
    const stop = await b.stop(1);
    await b.service.workStops('lims');
    expect((await b.row(stop)).state).toBe('accepted');
  });

  it('waits only for the pause after a restore (rule 28)', async () => {
    const { bench: b, sink } = await bench();
    await b.enqueue({ subjectId: 'a' });
    await b.settle();
    await b.database.transact((trx) =>
      setPause(trx, { site: SITE, name: 'lims' }, { paused: 1, reason: RESTORE_PAUSE, kept: null }),
    );
    await b.stop(1);
    await b.service.workStops('lims');
    expect(sink.entries).toHaveLength(1);
  });

  it('keeps trying what is refused, with the fault named, and holds further conforms', async () => {
    const { bench: b, sink } = await bench();
    await b.announce('R-2');
    sink.onSend(...Array.from({ length: 30 }, () => ({ status: 400, words: 'unknown receipt' })));
    const stop = await b.stop(1);
    for (let i = 0; i < 20; i += 1) {
      await b.service.workStops('lims');
      b.clock.advance(3_000);
    }
    expect(await b.row(stop)).toMatchObject({ state: 'due', fault: 'rejected', attempts: 20 });
    const conforms = await b.state(1, 'conforms', 'R-2');
    await b.service.workOnce('lims');
    expect((await b.row(conforms)).state).toBe('due');
    sink.onSend();
    await b.settle(60);
    expect(await b.row(stop)).toMatchObject({ state: 'confirmed', fault: null });
    expect((await b.row(conforms)).state).toBe('confirmed');
  });

  it.each([
    ['honours the key', true],
    ['honours no key', false],
  ])(
    'leaves a destination that %s and fails at once some rest, and gets through all the same',
    async (_, honoursKey) => {
      const { bench: b, sink } = await bench({
        honoursKey,
        timing: { processingMs: 0, retryMaxMs: 60_000 },
      });
      sink.onSend(...Array.from({ length: 400 }, () => 'reset' as const));
      sink.onAsk(...Array.from({ length: 400 }, () => ({ status: 503 })));
      const stop = await b.stop(1);
      const until = addMs(b.clock.now(), 60_000);
      while (b.clock.now() < until && sink.sends() < 100) await b.settle(1);
      // Doubling from a fifth of a second to half a minute, the first two at once.
      expect(sink.sends()).toBeGreaterThan(5);
      expect(sink.sends()).toBeLessThan(20);
      const sentAt = (await b.attempts(stop))
        .filter((a) => a.kind === 'send')
        .map((a) => a.started_at);
      const apart = sentAt.slice(1).map((at, n) => (at - (sentAt[n] ?? 0)) / 1_000);
      expect(Math.max(...apart)).toBeLessThanOrEqual(STOP_RETRY_MAX_MS);
      sink.heal();
      const healedAt = b.clock.now();
      while (
        (await b.row(stop)).state !== 'confirmed' &&
        b.clock.now() < addMs(healedAt, 120_000)
      ) {
        await b.settle(1);
      }
      expect((await b.row(stop)).confirmed_at ?? Number.MAX_SAFE_INTEGER).toBeLessThanOrEqual(
        addMs(healedAt, STOP_RETRY_MAX_MS + 1_000),
      );
    },
  );

  it('is never parked for a contract fault either', async () => {
    const { bench: b } = await bench();
    b.mapping.usage = () => PERMIT;
    const stop = await b.stop(1);
    await b.service.workStops('lims');
    expect(await b.row(stop)).toMatchObject({ state: 'due', fault: 'contract' });
    b.mapping.usage = () => 'BLOCK-CONTRARY';
    b.clock.advance(30_000);
    await b.settle();
    expect((await b.row(stop)).state).toBe('confirmed');
  });
});

describe('a stop that does not take effect', () => {
  it('is named and re-asserted by a new revision under a new key, never by the used one', async () => {
    const kept = new Set<string>();
    const { bench: b, sink } = await bench(
      {},
      {
        // Keeps the first stop as something else, as a destination with a wrong table would.
        keeps: (content) => {
          const isFirst = content['messageType'] === 'stop' && kept.size === 0;
          kept.add(String(content['reference']));
          return isFirst ? { ...content, usage: PERMIT } : content;
        },
      },
    );
    const first = await b.stop(1);
    await b.settle(8);
    expect(await b.row(first)).toMatchObject({ state: 'accepted', fault: 'not-effective' });
    expect((await stopRow(b, 1)).effective_at).toBeNull();
    expect((await stopsNotEffective(b.database.db, SITE)).map((d) => d.id)).toEqual([first]);
    expect(sink.sends()).toBe(1);
    const second = await b.stop(2);
    expect(await stopsNotEffective(b.database.db, SITE)).toEqual([]);
    await b.settle();
    expect((await b.row(second)).state).toBe('confirmed');
    expect((await b.row(first)).state).toBe('superseded');
    expect((await stopRow(b, 2)).effective_at).not.toBeNull();
    const trail = await b.database.db
      .selectFrom('audit_entry')
      .select('subject_id')
      .where('action', '=', 'stop.effective')
      .execute();
    expect(trail.map((entry) => entry.subject_id)).toContain('stop-R-1-2');
    const keys = sink.seen.filter((r) => r.method === 'POST').map((r) => r.key);
    expect(new Set(keys).size).toBe(2);
  });

  it('is not effective when the destination accepted and lost it; a new revision under a new key is', async () => {
    const { bench: b, sink } = await bench();
    const first = await b.stop(1);
    await b.service.workStops('lims');
    // Its memory of keys stays: the same key again would bring the old answer and store nothing.
    for (const entry of sink.entries) Object.assign(entry, { reference: 'lost' });
    await b.settle(8);
    expect(await b.row(first)).toMatchObject({ state: 'accepted', fault: 'not-effective' });
    expect(sink.sends()).toBe(1);
    const second = await b.stop(2);
    await b.settle();
    expect((await b.row(second)).state).toBe('confirmed');
    expect((await b.row(first)).state).toBe('superseded');
  });

  it.each([
    ['not effective behind a later revision that nobody here sent', '5', 'accepted'],
    ['effective behind a later one of ours', '1', 'confirmed'],
  ])('is %s (rule 21)', async (_what, held, state) => {
    const { bench: b } = await bench({}, { keeps: (content) => ({ ...content, score: held }) });
    const { stop } = b.mapping.document.messages;
    if (!stop?.readBack) throw new Error('a stop is read back');
    // What it is about and its revision; what was sent is 0.97.
    Object.assign(stop, {
      fields: [{ to: '/usage', from: 'statement.receipt.receiptId' }],
      readBack: { ...stop.readBack, revision: { sent: '/score', held: '/content/score' } },
    });
    const id = await b.stop(1);
    await b.settle(8);
    const row = await b.row(id);
    expect(row.state).toBe(state);
    expect(row.fault).toBe(state === 'confirmed' ? null : 'not-effective');
    expect((await stopRow(b, 1)).effective_at === null).toBe(state !== 'confirmed');
  });
});
