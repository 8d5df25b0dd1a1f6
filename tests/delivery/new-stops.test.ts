import { describe, expect, it } from 'vitest';
import { Bench, type BenchOptions, PERMIT } from './northquay-bench.js';
import { Sink } from './sink.js';

async function bench(options: Partial<BenchOptions> = {}) {
  const sink = await Sink.start({ honoursKey: true });
  const made = await Bench.open({ baseUrl: sink.url, honoursKey: true, ...options });
  await made.announce();
  return { b: made, sink };
}

describe('a stop that was just found', () => {
  it('is built by its own slot and never behind what else is built', async () => {
    const { b, sink } = await bench();
    const stop = await b.stop(1);
    expect(await b.service.buildDue('lims')).toBe(0);
    await b.service.workOnce('lims');
    expect(await b.row(stop)).toMatchObject({ state: 'due', payload_sha256: null, fence: 0 });
    expect(sink.sends()).toBe(0);
    await b.service.workStops('lims');
    expect((await b.row(stop)).state).toBe('accepted');
    expect(sink.entries.map((e) => e.reference)).toEqual([stop]);
  });

  it('stands with payload, claim and attempt row in the first commit that touches it, before a byte leaves', async () => {
    const { b, sink } = await bench();
    const seen: unknown[] = [];
    const stop = await b.stop(1);
    b.afterWrite = async () => {
      const { state, payload_sha256: payload, fence } = await b.row(stop);
      const attempts = (await b.attempts(stop)).map(({ kind, outcome }) => ({ kind, outcome }));
      seen.push({ state, isBuilt: payload !== null, fence, attempts, sends: sink.sends() });
    };
    await b.service.workStops('lims');
    expect(seen[0]).toEqual({
      state: 'sending',
      isBuilt: true,
      fence: 1,
      attempts: [{ kind: 'send', outcome: null }],
      sends: 0,
    });
    expect((await b.row(stop)).state).toBe('accepted');
  });

  it('is not sent when it was superseded while it was built', async () => {
    const { b, sink } = await bench();
    const stop = await b.stop(1);
    let superseding: Promise<unknown> | null = null;
    b.mapping.usage = () => {
      superseding ??= b.database.db
        .updateTable('delivery')
        .set({ state: 'superseded' })
        .where('id', '=', stop)
        .execute();
      return 'BLOCK-CONTRARY';
    };
    b.beforeWrite = async () => superseding;
    await b.service.workStops('lims');
    expect(superseding).not.toBeNull();
    expect(sink.sends()).toBe(0);
    expect(await b.row(stop)).toMatchObject({ state: 'superseded', payload_sha256: null });
    expect(await b.attempts(stop)).toEqual([]);
  });

  it('that breaks a rule of ours is due again with the fault named, and goes out once it can be built', async () => {
    const { b, sink } = await bench();
    const stop = await b.stop(1);
    // A stop that would permit a release (rule 23).
    b.mapping.usage = () => PERMIT;
    await b.service.workStops('lims');
    const failed = await b.row(stop);
    expect(failed).toMatchObject({ state: 'due', fault: 'contract', claimed_by: null });
    expect(failed.due_at).toBeGreaterThan(b.clock.now());
    expect(sink.sends()).toBe(0);
    b.mapping.usage = () => 'BLOCK-CONTRARY';
    b.clock.advance(31_000);
    await b.service.workStops('lims');
    expect(await b.row(stop)).toMatchObject({ state: 'accepted', fault: null });
    const trail = await b.database.db
      .selectFrom('audit_entry')
      .select('action')
      .where('subject_id', '=', stop)
      .where('action', '=', 'delivery.build-failed')
      .execute();
    expect(trail).toHaveLength(1);
  });

  it('goes out although the building of an earlier one ends in an error', async () => {
    const { b, sink } = await bench();
    const poisoned = await b.stop(1);
    await b.announce('R-2');
    const other = await b.stop(1, 'R-2');
    b.mapping.usage = (subject) => {
      if (subject.reference === poisoned) throw new Error('a defect');
      return 'BLOCK-CONTRARY';
    };
    await expect(b.service.workStops('lims')).rejects.toThrow('a defect');
    await expect.poll(async () => (await b.row(other)).state).toBe('accepted');
    const row = await b.row(poisoned);
    expect(row).toMatchObject({ state: 'due', payload_sha256: null });
    expect(row.due_at).toBeGreaterThan(b.clock.now());
    expect(sink.entries.map((e) => e.reference)).toEqual([other]);
  });

  it('is built again within half a minute after an error, however long others wait', async () => {
    const { b } = await bench({ timing: { retryMaxMs: 3_600_000 } });
    const stop = await b.stop(1);
    b.mapping.failure = new Error('a defect');
    await expect(b.service.workStops('lims')).rejects.toThrow('a defect');
    b.mapping.failure = null;
    b.clock.advance(30_000);
    await b.service.workStops('lims');
    expect((await b.row(stop)).state).toBe('accepted');
  });
});
