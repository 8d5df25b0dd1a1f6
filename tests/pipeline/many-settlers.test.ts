import { describe, expect, it } from 'vitest';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import type { BundlesService } from '../../src/pipeline/bundles.service.js';
import { seedFor } from '../../src/simulation/seeded-random.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { goodParts, goodResult, SITE } from '../checks/fixture.js';
import { databasesOfProcesses, isPostgres } from '../support/temp-database.js';
import { until } from '../support/until.js';
import { BundleBench, type Examine } from './bundle-bench.js';

/** Several processes that examine and settle the bundles of one site. */

const MANY: SiteFolder = {
  ...SITE,
  instruments: ['I-1', 'I-2', 'I-3', 'S-A', 'S-B', 'S-C', 'S-D'].flatMap((serial) =>
    SITE.instruments.slice(0, 1).map((instrument) => ({ ...instrument, serial })),
  ),
};

async function benches(count: number): Promise<[BundleBench, ...BundleBench[]]> {
  const [first, ...rest] = BundleBench.over(await databasesOfProcesses(count), MANY);
  if (!first) throw new Error('there is no process');
  return [first, ...rest];
}

async function register(bench: BundleBench, ...ids: string[]): Promise<void> {
  const started = { started_at: bench.clock.now(), heartbeat_at: bench.clock.now() };
  await bench.database.db
    .insertInto('worker')
    .values(ids.map((id) => ({ id, ...started, stopped_at: null })))
    .execute();
}

/** A bundle of one result, run `n` of an instrument; result ids are unique in the site unless told. */
function bundleOf(serial: string, n: number, result: Partial<BundleResult> = {}) {
  // A receipt of its own, so that no two wait for one another because of that.
  const receipt = { scanned: `GR-${serial}`, entry: 'scanned' } as const;
  const over = { resultId: `${serial}-R-${n}`, receipt, ...result };
  const parts = goodParts([goodResult(n, over, seedFor(n, serial))]);
  return {
    ...parts,
    bundleId: `${serial}-B-${n}`,
    instrument: { ...parts.instrument, serial },
  };
}

async function waiting(bench: BundleBench): Promise<number> {
  const rows = await bench.database.db
    .selectFrom('bundle')
    .select('id')
    .where('state', '=', 'received')
    .execute();
  return rows.length;
}

/** Every process works until nothing waits. */
async function workAll(bench: BundleBench, processes: readonly BundlesService[]): Promise<void> {
  const end = performance.now() + 25_000;
  await Promise.all(
    processes.map(async (process) => {
      while ((await waiting(bench)) > 0) {
        if (performance.now() > end) throw new Error('the work has no end');
        await process.workOnce();
      }
    }),
  );
}

/** Two processes that have examined before either settles. */
function together(first: BundleBench, second: BundleBench): BundlesService[] {
  let begun = 0;
  const examine: Examine = async (task) => {
    begun += 1;
    const pair = Math.ceil(begun / 2) * 2;
    const unit = await first.examine(task);
    // On a file one process takes both.
    await until('the other has examined as well', () => begun >= pair);
    return unit;
  };
  return [first.process(examine, 'w-0'), second.process(examine, 'w-1')];
}

/** Takes its time, another every time, so that who comes first is a matter of luck. */
function unevenly(bench: BundleBench): Examine {
  let calls = 0;
  return async (task) => {
    calls += 1;
    const unit = await bench.examine(task);
    await new Promise((resolve) => setTimeout(resolve, (calls * 7) % 11));
    return unit;
  };
}

describe('several processes that settle', () => {
  it('settle the bundles of one instrument in the order they arrived, whoever takes them, and find no gap', async () => {
    const [first, ...others] = await benches(3);
    await register(first, 'w-0', 'w-1', 'w-2');
    const ids: string[] = [];
    for (let n = 1; n <= 12; n += 1) {
      for (const serial of ['I-1', 'I-2', 'I-3']) ids.push(await first.take(bundleOf(serial, n)));
    }
    const settledBy = new Map<string, number>();
    const processes = [first, ...others].map((bench, i) =>
      bench.process(unevenly(bench), `w-${i}`, () => {
        settledBy.set(`w-${i}`, (settledBy.get(`w-${i}`) ?? 0) + 1);
      }),
    );
    await workAll(first, processes);
    expect(await first.discrepancies()).toEqual([]);
    for (const id of ids) expect((await first.bundle(id)).state).not.toBe('received');
    expect([...settledBy.values()].reduce((a, b) => a + b)).toBe(ids.length);
    if (isPostgres) expect(settledBy.size).toBeGreaterThan(1);
    const lanes = await first.database.db.selectFrom('lane').select('worker').execute();
    expect(new Set(lanes.map(({ worker }) => worker))).toEqual(new Set([null]));
  });

  it('end as a conflict with both kept when two settle one result id with different content at once', async () => {
    const [first, second] = await benches(2);
    if (!second) throw new Error('one process is missing');
    await register(first, 'w-0', 'w-1');
    for (let n = 1; n <= 8; n += 1) {
      const id = `shared-${n}`;
      await first.take(bundleOf('I-1', n, { resultId: id }));
      await first.take(bundleOf('I-2', n, { resultId: id, lot: 'L-OTHER' }));
      await workAll(first, together(first, second));
      const rows = await first.database.db
        .selectFrom('result')
        .select(['state', 'lot', 'id'])
        .where('result_id', '=', id)
        .execute();
      expect(new Set(rows.map(({ lot }) => lot))).toEqual(new Set(['L-1', 'L-OTHER']));
      const conflicts = await first.database.db
        .selectFrom('finding')
        .select('result_row_id')
        .where('code', '=', 'result-conflict')
        .where(
          'result_row_id',
          'in',
          rows.map((row) => row.id),
        )
        .execute();
      expect(conflicts).toHaveLength(1);
    }
  });

  it('keep one content of one bundle id once when two settle it at once from two instruments', async () => {
    const [first, second] = await benches(2);
    if (!second) throw new Error('one process is missing');
    await register(first, 'w-0', 'w-1');
    for (let n = 1; n <= 5; n += 1) {
      const one = bundleOf('I-1', n);
      const other = { ...bundleOf('I-2', n), bundleId: one.bundleId };
      const ids = [await first.take(one), await first.take(other)];
      await workAll(first, together(first, second));
      const codes = await Promise.all(ids.map((id) => first.codesOf(id)));
      expect(codes.filter((found) => found.includes('bundle-conflict /bundleId'))).toHaveLength(1);
    }
  });

  it('leave a lane alone whose bundle can never be settled, and settle what waits in the others', async () => {
    const [first] = await benches(1);
    const stuck = await first.take(bundleOf('I-1', 1));
    const behind = await first.take(bundleOf('I-1', 2));
    const others: string[] = [];
    for (let n = 1; n <= 20; n += 1) others.push(await first.take(bundleOf('I-2', n)));
    const failing: Examine = (task) =>
      Buffer.from(task.bytes).includes('"I-1-B-1"')
        ? Promise.reject(new Error('a defect of ours'))
        : first.examine(task);
    const process = first.process(failing);
    await until('the other lane is settled', async () => {
      await process.workOnce().catch(() => undefined);
      return (await waiting(first)) === 2;
    });
    for (const id of others) expect((await first.bundle(id)).state).toBe('accepted');
    for (const id of [stuck, behind]) {
      expect(await first.bundle(id)).toMatchObject({ state: 'received', strikes: 0 });
    }
    await workAll(first, [first.process(first.examine, 'another start')]);
    expect(await first.discrepancies()).toEqual([]);
  });

  it('change nothing late: whoever lost its lane while it slept finds another fence', async () => {
    const [first, second] = await benches(2);
    if (!second) throw new Error('one process is missing');
    await register(first, 'sleeper', 'w-1');
    const id = await first.take(bundleOf('I-1', 1));
    let wake: () => void = () => undefined;
    const asleep = new Promise<void>((resolve) => {
      wake = resolve;
    });
    let begun = false;
    const sleeping: Examine = async (task) => {
      begun = true;
      await asleep;
      return first.examine(task);
    };
    const late = first.process(sleeping, 'sleeper', () => {
      throw new Error('a late settling was heard of');
    });
    const working = late.workOnce();
    await until('it examines', () => begun);
    expect(await second.process(second.examine, 'w-1').workOnce()).toBe(false);

    await first.database.db
      .updateTable('worker')
      .set({ stopped_at: first.clock.now() })
      .where('id', '=', 'sleeper')
      .execute();
    await workAll(second, [second.process(second.examine, 'w-1')]);
    const before = await first.database.db.selectFrom('audit_entry').select('id').execute();
    wake();
    await working;
    expect((await first.bundle(id)).state).toBe('accepted');
    expect(await first.database.db.selectFrom('audit_entry').select('id').execute()).toEqual(
      before,
    );
    expect(await first.database.db.selectFrom('result').select('id').execute()).toHaveLength(1);
  });

  it('suspect nothing of what a living process was examining', async () => {
    const [first] = await benches(1);
    await register(first, 'alive', 'w-1');
    const ids = [await first.take(bundleOf('I-1', 1)), await first.take(bundleOf('I-1', 2))];
    const failing = first.process(() => Promise.reject(new Error('the pool is closed')), 'alive');
    await expect(failing.workOnce()).rejects.toThrow('the pool is closed');
    expect((await first.bundle(ids[0] ?? '')).examining_by).toBeNull();
    // As when the lanes were taken from it while it lives: it had no chance to take its notes back.
    await first.database.db.updateTable('bundle').set({ examining_by: 'alive' }).execute();
    let together = 0;
    const counting: Examine = async (task) => {
      together += 1;
      return first.examine(task);
    };
    await first.process(counting, 'w-1').workOnce();
    expect(together).toBe(2);
    for (const id of ids)
      expect(await first.bundle(id)).toMatchObject({ state: 'accepted', strikes: 0 });
  });
});

describe('a result and the one that supersedes it', () => {
  const CHAIN = ['A', 'B', 'C', 'D'];

  function permutations<T>(all: readonly T[]): T[][] {
    if (all.length <= 1) return [[...all]];
    return all.flatMap((one, i) =>
      permutations(all.filter((_, j) => j !== i)).map((rest) => [one, ...rest]),
    );
  }

  it('end the same in whatever order they come: only the last of a chain stands', async () => {
    const [bench] = await benches(1);
    let set = 0;
    for (const order of permutations(CHAIN)) {
      set += 1;
      for (const name of order) {
        const i = CHAIN.indexOf(name);
        const before = CHAIN[i - 1];
        await bench.take(
          bundleOf(`S-${name}`, set, {
            resultId: `${set}-${name}`,
            supersedes:
              before === undefined ? null : { resultId: `${set}-${before}`, reason: 'wrong drum' },
          }),
        );
      }
    }
    await workAll(bench, [bench.process(bench.examine)]);
    const rows = await bench.database.db
      .selectFrom('result')
      .select(['result_id', 'state'])
      .execute();
    const ends = new Map<string, Set<string>>();
    for (const { result_id: id, state } of rows) {
      const name = id.split('-')[1] ?? '';
      ends.set(name, (ends.get(name) ?? new Set()).add(state));
    }
    expect(rows).toHaveLength(set * CHAIN.length);
    expect(Object.fromEntries(ends)).toEqual({
      A: new Set(['superseded']),
      B: new Set(['superseded']),
      C: new Set(['superseded']),
      D: new Set(['accepted']),
    });
  });

  it('find each other when two processes settle them at the same moment', async () => {
    const [first, second] = await benches(2);
    if (!second) throw new Error('one process is missing');
    await register(first, 'w-0', 'w-1');
    for (let n = 1; n <= 8; n += 1) {
      await first.take(bundleOf('I-1', n, { resultId: `first-${n}` }));
      const supersedes = { resultId: `first-${n}`, reason: 'wrong drum' };
      await first.take(bundleOf('I-2', n, { resultId: `second-${n}`, supersedes }));
      await workAll(first, together(first, second));
      const rows = await first.database.db
        .selectFrom('result')
        .select(['result_id', 'state'])
        .where('result_id', 'in', [`first-${n}`, `second-${n}`])
        .orderBy('result_id')
        .execute();
      expect(rows.map(({ state }) => state)).toEqual(['superseded', 'accepted']);
    }
  });
});
