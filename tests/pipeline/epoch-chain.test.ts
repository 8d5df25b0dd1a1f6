import { createHash } from 'node:crypto';
import { describe, expect, it } from 'vitest';
import { assembleBundle, type BundleParts } from '../../src/checks/assemble-bundle.js';
import { goodCheck, goodParts, goodResult, SITE } from '../checks/fixture.js';
import { BundleBench } from './bundle-bench.js';

/** Release-safety rule 10 over the epochs of a run counter: what was never heard of stays open. */

const TWO_IN_SERVICE = SITE.instruments.map((i) => ({ ...i, inService: true }));

let bundles = 0;

function runs(numbers: readonly number[], over: Partial<BundleParts> = {}): BundleParts {
  bundles += 1;
  const results = numbers.map((n) => goodResult(n));
  return goodParts(results, { bundleId: `B-${bundles}`, ...over });
}

function ofEpoch(epoch: number, numbers: readonly number[], over: Partial<BundleParts> = {}) {
  const first = numbers[0] ?? null;
  const last = numbers.at(-1) ?? 0;
  // Result ids are the instrument's own and unlike those of the epoch before.
  const parts = runs(numbers, { runs: { epoch, first, last }, ...over });
  return {
    ...parts,
    results: parts.results.map((r) => ({ ...r, resultId: `${r.resultId}-${epoch}` })),
  };
}

async function open(bench: BundleBench): Promise<string[]> {
  const rows = await bench.discrepancies();
  return rows.filter((d) => d.closed_at === null).map((d) => `${d.class} ${d.subject}`);
}

describe('an epoch', () => {
  it('that begins behind a bundle nobody took leaves the end of the one before open until it comes', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1, 2]));
    const lost = runs([3]);
    const { sha256 } = assembleBundle(lost);
    await bench.settle(ofEpoch(2, [], { previousBundle: sha256 }));
    expect(await open(bench)).toEqual([`run-gap chain:I-1:2:${sha256}`]);
    const id = await bench.settle(lost);
    expect(await open(bench)).toEqual([]);
    const closed = (await bench.discrepancies()).map((d) => d.closing_evidence);
    expect(closed).toEqual([`bundle:${id}`]);
  });

  it('that names no bundle before it does so for good', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1, 2]));
    await bench.settle(ofEpoch(2, [1, 2]));
    expect(await open(bench)).toEqual(['run-gap chain:I-1:2:none']);
  });

  it('that follows on the last bundle taken leaves nothing open, in whatever order its bundles come', async () => {
    const bench = await BundleBench.open();
    const before = runs([1, 2]);
    await bench.settle(before);
    const first = ofEpoch(2, [1], { previousBundle: assembleBundle(before).sha256 });
    const second = ofEpoch(2, [2], { previousBundle: assembleBundle(first).sha256 });
    await bench.settle(second);
    expect(await open(bench)).toEqual(['run-gap runs:I-1:2:1-1']);
    await bench.settle(first);
    expect(await open(bench)).toEqual([]);
  });

  it('is not asked what came before it when it is the first ever heard of', async () => {
    const bench = await BundleBench.open();
    await bench.settle(ofEpoch(3, [1]));
    expect(await open(bench)).toEqual([]);
  });
});

describe('an epoch that was the first ever heard of, when one before it comes late', () => {
  it('is asked then what it follows on, and leaves the end of the one before open until that comes', async () => {
    const bench = await BundleBench.open();
    const lost = runs([3]);
    const { sha256 } = assembleBundle(lost);
    await bench.settle(ofEpoch(2, [1], { previousBundle: sha256 }));
    await bench.settle(ofEpoch(2, [2]));
    expect(await open(bench)).toEqual([]);
    await bench.settle(runs([1, 2]));
    expect(await open(bench)).toEqual([`run-gap chain:I-1:2:${sha256}`]);
    await bench.settle(lost);
    expect(await open(bench)).toEqual([]);
  });

  it('leaves nothing open when that one is the bundle it follows on', async () => {
    const bench = await BundleBench.open();
    const before = runs([1, 2]);
    const { sha256: previousBundle } = assembleBundle(before);
    await bench.settle(ofEpoch(2, [1], { previousBundle }));
    await bench.settle(before);
    expect(await open(bench)).toEqual([]);
  });

  it('leaves nothing open when the bundle it follows on came before the first one of that epoch', async () => {
    const bench = await BundleBench.open();
    const last = runs([3]);
    const { sha256: previousBundle } = assembleBundle(last);
    await bench.settle(ofEpoch(2, [1], { previousBundle }));
    await bench.settle(last);
    expect(await open(bench)).toEqual(['run-gap runs:I-1:1:1-2']);
    await bench.settle(runs([1, 2]));
    expect(await open(bench)).toEqual([]);
  });

  it('leaves it open for good when it names no bundle', async () => {
    const bench = await BundleBench.open();
    await bench.settle(ofEpoch(2, [1]));
    await bench.settle(runs([1, 2]));
    expect(await open(bench)).toEqual(['run-gap chain:I-1:2:none']);
  });
});

describe('a bundle that an epoch follows on', () => {
  it('in another spelling of one that was taken joins it, whichever of the two comes first', async () => {
    const before = runs([1, 2]);
    const { bytes } = assembleBundle(before);
    const spelt = Buffer.from(JSON.stringify(JSON.parse(Buffer.from(bytes).toString()), null, 1));
    const previousBundle = createHash('sha256').update(spelt).digest('hex');
    const next = ofEpoch(2, [1], { previousBundle });
    for (const order of [
      [before, spelt, next],
      [before, next, spelt],
    ]) {
      const bench = await BundleBench.open();
      for (const parts of order) await bench.settle(parts);
      expect(await open(bench)).toEqual([]);
    }
  });
});

describe('a bundle that holds entries of another count', () => {
  async function sentAnew(over: Partial<BundleParts>) {
    const bench = await BundleBench.open({ ...SITE, instruments: TWO_IN_SERVICE });
    const before = { ...runs([1, 2]), performanceChecks: [goodCheck(3)] };
    const old = { ...before, runs: { epoch: 1, first: 1, last: 3 } };
    await bench.settle(old);
    const previousBundle = assembleBundle(old).sha256;
    const id = await bench.settle({ ...old, bundleId: 'sent anew', previousBundle, ...over });
    const state = (await bench.bundle(id))?.state;
    return { bench, id, state };
  }

  it('of another epoch or instrument is held, and accounts for none of its own runs unseen', async () => {
    const epoch = await sentAnew({ runs: { epoch: 2, first: 1, last: 3 } });
    expect(epoch.state).toBe('held');
    expect(await open(epoch.bench)).toEqual([`held bundle:${epoch.id}`]);
    const [serial] = TWO_IN_SERVICE.slice(1);
    const parts = goodParts();
    const instrument = { ...parts.instrument, serial: serial?.serial ?? '' };
    const other = await sentAnew({ instrument, previousBundle: null });
    expect(other.state).toBe('held');
    expect(await open(other.bench)).toEqual([`held bundle:${other.id}`]);
    const checks = await other.bench.database.db
      .selectFrom('performance_check')
      .select(['instrument_serial', 'verdict'])
      .orderBy('instrument_serial')
      .execute();
    expect(checks).toEqual([
      { instrument_serial: 'I-1', verdict: 'pass' },
      { instrument_serial: 'I-2', verdict: 'void' },
    ]);
  });

  it('of its own count is taken', async () => {
    expect((await sentAnew({})).state).toBe('accepted');
  });
});

describe('a count beyond any epoch', () => {
  it('holds its bundle and moves nothing, and what failed in it counts all the same', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1]));
    const failed = { ...goodResult(2, { decision: 'fail' }), resultId: 'failed' };
    const parts = { ...runs([2]), results: [failed], runs: { epoch: 3e9, first: 2, last: 2 } };
    const id = await bench.settle(parts);
    expect((await bench.bundle(id)).state).toBe('held');
    const { db } = bench.database;
    const [result] = await db
      .selectFrom('result')
      .select(['contrary', 'run_epoch'])
      .where('result_id', '=', 'failed')
      .execute();
    expect(result).toEqual({ contrary: 1, run_epoch: null });
    const [instrument] = await db.selectFrom('instrument_state').select('epoch').execute();
    expect(instrument?.epoch).toBe(1);
  });
});

describe('a gap at the end of an epoch', () => {
  it('stays open when the counter began again and a late bundle fills another one', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1, 2]));
    const last = runs([5, 6]);
    await bench.settle(last);
    const told = runs([], { runs: { epoch: 1, first: null, last: 9 } });
    await bench.settle(told);
    const previousBundle = assembleBundle(told).sha256;
    await bench.settle(ofEpoch(2, [1], { previousBundle }));
    await bench.settle(runs([3, 4], { runs: { epoch: 1, first: 3, last: 4 } }));
    expect(await open(bench)).toEqual(['run-gap runs:I-1:1:7-9']);
    await bench.settle(runs([8], { runs: { epoch: 1, first: 8, last: 8 } }));
    expect(await open(bench)).toEqual(['run-gap runs:I-1:1:7-7', 'run-gap runs:I-1:1:9-9']);
  });
});

describe('a bundle whose examination dies', () => {
  it('keeps those behind it waiting, so that its runs are no gap', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1]));
    await bench.take(runs([2], { bundleId: 'dies once' }));
    await bench.take(runs([3]));
    let isFirstTime = true;
    const dying = bench.dyingOn('dies once');
    const worker = bench.process((task) => {
      const examine = isFirstTime ? dying : bench.examine;
      if (Buffer.from(task.bytes).includes('dies once')) isFirstTime = false;
      return examine(task);
    });
    await bench.workAll(worker);
    const classes = (await bench.discrepancies()).map((d) => d.class);
    expect(classes).toEqual([]);
    const settled = await bench.database.db.selectFrom('bundle').select('state').execute();
    expect(settled.map((b) => b.state)).toEqual(['accepted', 'accepted', 'accepted']);
  });
});

describe('an instrument', () => {
  it('is not heard by what software invented where that covers nothing', async () => {
    const bench = await BundleBench.open({ ...SITE, environment: 'validation' });
    const heard = async () =>
      (await bench.database.db.selectFrom('instrument_state').select('heard_at').execute()).map(
        (row) => row.heard_at > 0,
      );
    const validation = { environment: 'validation' } as const;
    await bench.settle(runs([1], { ...validation, origin: 'simulated' }));
    expect(await heard()).toEqual([]);
    await bench.settle(runs([2], { ...validation, origin: 'instrument' }));
    expect(await heard()).toEqual([true]);
  });
});
