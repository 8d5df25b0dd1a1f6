import { describe, expect, it } from 'vitest';
import { at, goodParts, goodResult } from '../checks/fixture.js';
import { StatementWorld } from '../statements/statement-world.js';
import { until } from '../support/until.js';
import { BundleBench, type Examine } from './bundle-bench.js';

const HOUR_MS = 3_600_000;

/** A bundle number n of instrument I-1: one result, run n. */
function numbered(n: number) {
  return goodParts([goodResult(n)], { bundleId: `B-${n}` });
}

/** Never answers: the process ends first. */
const HANGS: Examine = () => new Promise(() => undefined);

/** A process that is killed while it examines: it has noted what, and nothing more of it is heard. */
async function killedWhileExamining(bench: BundleBench, workerId: string, ids: string[]) {
  // What becomes of it after its death, nobody hears.
  bench
    .process(HANGS, workerId)
    .workOnce()
    .catch(() => undefined);
  const rows = () => Promise.all(ids.map((id) => bench.bundle(id)));
  await until('the process has begun', async () =>
    (await rows()).every((row) => row.examining_by?.startsWith(workerId)),
  );
  return await rows();
}

describe('bundles that wait', () => {
  it('are settled in the order they came, each with a ring once it is committed', async () => {
    const bench = await BundleBench.open();
    const ids = [await bench.take(numbered(2)), await bench.take(numbered(1))];
    const rung: string[][] = [];
    const states = async () =>
      (await Promise.all(ids.map((id) => bench.bundle(id)))).map((b) => b.state);
    let rings = 0;
    const process = bench.process(bench.examine, 'w', () => {
      rings += 1;
    });
    const last = await process.lastWaiting();
    if (last === null) throw new Error('two wait');
    expect(await process.isSettledThrough(last)).toBe(false);
    expect(await process.workOnce()).toBe(true);
    rung.push(await states());
    expect(await process.workOnce()).toBe(false);
    expect([rung, rings]).toEqual([[['accepted', 'accepted']], 2]);
    // The first to come held run 2, so run 1 was a gap until the second came.
    expect((await bench.discrepancies()).map((d) => [d.class, d.closing_evidence])).toEqual([
      ['run-gap', `bundle:${ids[1]}`],
    ]);
    expect(await process.isSettledThrough(last)).toBe(true);
    expect(await process.lastWaiting()).toBeNull();
  });

  it.each([
    ['goes on', 1_000],
    ['is set back', -HOUR_MS],
    ['is set forward', HOUR_MS],
  ])(
    'are told from what comes after the question, also when the clock %s between',
    async (_name, ms) => {
      const bench = await BundleBench.open();
      const process = bench.process(bench.examine);
      await bench.take(numbered(1));
      bench.clock.advance(ms);
      const last = await process.lastWaiting();
      if (last === null) throw new Error('one waits');
      expect(await process.isSettledThrough(last)).toBe(false);
      await bench.workAll(process);
      bench.clock.advance(-ms);
      await bench.take(numbered(2));
      expect(await process.isSettledThrough(last)).toBe(true);
    },
  );

  it('say of each whether it called for a stop, which goes out before anything else', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const [bench] = BundleBench.over([world.database]);
    if (!bench) throw new Error('one for each database');
    const receipt = { scanned: 'RC-1', entry: 'scanned' } as const;
    await bench.take(goodParts([goodResult(1)], { bundleId: 'B-1' }));
    await bench.take(
      goodParts([goodResult(2, { receipt, decision: 'fail' })], { bundleId: 'B-2' }),
    );
    await bench.take(
      goodParts([goodResult(3, { receipt, decision: 'fail' })], { bundleId: 'B-3' }),
    );
    const settled: boolean[] = [];
    await bench.workAll(bench.process(bench.examine, 'w', ({ hasStop }) => settled.push(hasStop)));
    expect(settled).toEqual([false, true, false]);
    expect(await world.stops()).toEqual(['4 withdraw']);
  });

  it('wait on when the pool fails for a reason that is nobody’s fault', async () => {
    const bench = await BundleBench.open();
    const id = await bench.take(numbered(1));
    const process = bench.process(() => Promise.reject(new Error('the pool is closed')));
    await expect(process.workOnce()).rejects.toThrow('the pool is closed');
    expect(await bench.bundle(id)).toMatchObject({ state: 'received', strikes: 0 });
    await bench.workAll(bench.process(bench.examine, 'w2'));
    expect((await bench.bundle(id)).state).toBe('accepted');
  });
});

describe('a bundle whose lane the database does not have', () => {
  /** The database is another one, which took in no bundle of an instrument that this process knows. */
  async function withoutLanes(bench: BundleBench): Promise<void> {
    await bench.database.db.deleteFrom('lane').execute();
  }

  it('is settled with the first work of a process', async () => {
    const bench = await BundleBench.open();
    await bench.settle(numbered(1));
    await withoutLanes(bench);
    const id = await bench.take(numbered(2));
    await bench.workAll(bench.process(bench.examine, 'w2'));
    expect((await bench.bundle(id)).state).toBe('accepted');
  });

  it('is settled by one that works on, also while bundles of other lanes come all the time', async () => {
    const bench = await BundleBench.open();
    const process = bench.process(bench.examine);
    await bench.take(numbered(1));
    await bench.workAll(process);
    await withoutLanes(bench);
    const id = await bench.take(numbered(2));
    let n = 1;
    await until('it is settled', async () => {
      const parts = goodParts([goodResult(n, { resultId: `O-R-${n}` })], { bundleId: `O-B-${n}` });
      await bench.take({ ...parts, instrument: { ...parts.instrument, serial: 'I-2' } });
      n += 1;
      await process.workOnce();
      return (await bench.bundle(id)).state === 'accepted';
    });
  });
});

describe('a bundle whose examination ends its thread', () => {
  it('is parked after three times, its bytes kept and named as evidence nobody can read', async () => {
    const bench = await BundleBench.open();
    const before = await bench.take(numbered(1));
    const deadly = await bench.take(numbered(2));
    const after = await bench.take(numbered(3));
    const seen: string[] = [];
    await bench.workAll(bench.process(bench.dyingOn('"B-2"', seen)));

    expect(seen.filter((bundleId) => bundleId === 'B-2')).toHaveLength(3);
    for (const id of [before, after]) expect((await bench.bundle(id)).state).toBe('accepted');
    const parked = await bench.bundle(deadly);
    expect(parked).toMatchObject({ state: 'parked', settled_at: bench.clock.now() });
    expect(await bench.codesOf(deadly)).toEqual(['examination-died ']);
    const evidence = (await bench.discrepancies()).filter((d) => d.class === 'unreadable');
    expect(evidence).toMatchObject([
      { subject: `bundle:${deadly}`, receipt_id: null, closed_at: null },
    ]);
    expect(evidence.map((d) => d.scope)).toEqual([JSON.stringify({ to: parked.received_at })]);
    const trail = await bench.database.db
      .selectFrom('audit_entry')
      .select('action')
      .where('subject_id', '=', deadly)
      .orderBy('at')
      .execute();
    expect(trail.map((entry) => entry.action)).toEqual(['bundle.received', 'bundle.parked']);
    const bytes = await bench.database.db
      .selectFrom('raw_bytes')
      .select('sha256')
      .where('sha256', '=', parked.raw_sha256)
      .execute();
    expect(bytes).toHaveLength(1);
  });

  it('is settled when a later try goes well', async () => {
    const bench = await BundleBench.open();
    const id = await bench.take(numbered(1));
    await bench.process(bench.dyingOn('"B-1"')).workOnce();
    expect(await bench.bundle(id)).toMatchObject({ state: 'received', strikes: 1 });
    await bench.workAll(bench.process(bench.examine));
    expect(await bench.bundle(id)).toMatchObject({ state: 'accepted', strikes: 1 });
    expect(await bench.discrepancies()).toEqual([]);
  });
});

describe('after a process that died while examining', () => {
  it('each of its bundles is examined in a process of its own, one at a time', async () => {
    const bench = await BundleBench.open();
    const ids = [1, 2, 3].map((n) => bench.take(numbered(n)));
    const taken = await Promise.all(ids);
    const left = await killedWhileExamining(bench, 'w1', taken);
    expect(left.map((row) => [row.examining_by, row.strikes])).toEqual([
      ['w1', 0],
      ['w1', 0],
      ['w1', 0],
    ]);

    const together: number[] = [];
    const apart: boolean[] = [];
    let running = 0;
    const counting: Examine = async (task) => {
      running += 1;
      together.push(running);
      apart.push(bench.isApart);
      const unit = await bench.examine(task);
      running -= 1;
      return unit;
    };
    await bench.workAll(bench.process(counting, 'w2'));
    expect(together).toEqual([1, 1, 1]);
    expect(apart).toEqual([true, true, true]);
    for (const id of taken) {
      expect(await bench.bundle(id)).toMatchObject({ state: 'accepted', strikes: 0 });
    }
  });

  it('they are not blamed for processes that are killed meanwhile, however many', async () => {
    const bench = await BundleBench.open();
    const id = await bench.take(numbered(1));
    for (const workerId of ['w1', 'w2', 'w3', 'w4', 'w5']) {
      const [row] = await killedWhileExamining(bench, workerId, [id]);
      expect(row).toMatchObject({ examining_by: workerId, strikes: 0 });
    }
    await bench.workAll(bench.process(bench.examine, 'w6'));
    expect(await bench.bundle(id)).toMatchObject({ state: 'accepted', strikes: 0 });
  });

  it('one that ends its own process as well is parked after three times', async () => {
    const bench = await BundleBench.open();
    const id = await bench.take(numbered(1));
    await killedWhileExamining(bench, 'w1', [id]);
    const apart: boolean[] = [];
    await bench.workAll(
      bench.process((task, site) => {
        apart.push(bench.isApart);
        return bench.dyingOn('"B-1"')(task, site);
      }, 'w2'),
    );
    expect(apart).toEqual([true, true, true]);
    expect((await bench.bundle(id)).state).toBe('parked');
    expect(await bench.codesOf(id)).toEqual(['examination-died ']);
  });
});

describe('a bundle that was examined to an end and could not be settled', () => {
  /** Work of a process that is stopped afterwards, as for an update. */
  async function stoppedAfterwards(bench: BundleBench, workerId: string, examine: Examine) {
    await bench
      .process(examine, workerId)
      .workOnce()
      .catch(() => undefined);
  }

  it('is not blamed for processes that are stopped while it waits', async () => {
    const bench = await BundleBench.open();
    const id = await bench.take(numbered(1));
    await killedWhileExamining(bench, 'w1', [id]);
    const failing: Examine = () => Promise.reject(new Error('the pool is closed'));
    for (const workerId of ['w2', 'w3', 'w4']) await stoppedAfterwards(bench, workerId, failing);
    await bench.workAll(bench.process(bench.examine, 'w5'));
    expect(await bench.bundle(id)).toMatchObject({ state: 'accepted', strikes: 0 });
  });

  it('gets one strike for a thread that it ended, whatever becomes of the process', async () => {
    const bench = await BundleBench.open();
    const id = await bench.take(numbered(1));
    for (const workerId of ['w1', 'w2']) {
      await stoppedAfterwards(bench, workerId, bench.dyingOn('"B-1"'));
    }
    await bench.workAll(bench.process(bench.examine, 'w3'));
    expect(await bench.bundle(id)).toMatchObject({ state: 'accepted', strikes: 2 });
  });
});

describe('bytes that cannot be read', () => {
  it('are refused by the examination as by the intake, and block what was there when they came', async () => {
    const bench = await BundleBench.open();
    const refusedAtOnce = await bench.take(Buffer.from('{"bundleId"'));
    const later = await bench.take(numbered(1));
    const unreadable: Examine = (task) =>
      bench.examine({ ...task, bytes: Buffer.from('[') }).then((unit) => {
        if (unit.kind !== 'unreadable') throw new Error('it was read');
        return unit;
      });
    await bench.workAll(bench.process(unreadable));
    for (const id of [refusedAtOnce, later]) {
      expect((await bench.bundle(id)).state).toBe('refused');
      expect(await bench.codesOf(id)).toEqual([expect.stringMatching(/^json-syntax /)]);
    }
    const open = await bench.discrepancies();
    expect(open.map((d) => [d.class, d.subject, d.closed_at])).toEqual([
      ['unreadable', `bundle:${refusedAtOnce}`, null],
      ['unreadable', `bundle:${later}`, null],
    ]);
    const { received_at: received } = await bench.bundle(later);
    expect(received).toBeGreaterThan(at('2026-07-01T12:00:00Z'));
    expect(open[1]?.scope).toBe(JSON.stringify({ to: received }));
  });
});
