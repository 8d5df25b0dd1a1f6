import { describe, expect, it } from 'vitest';
import {
  type BundleCase,
  bundleDocument,
  bundleRefusal,
  type ResultOfBundle,
} from '../../src/statements/bundle-refusal.js';

/** Release-safety rules 8, 9 and 10 for a bundle that is held. */

function result(runNumber: number | null, changes: Partial<ResultOfBundle> = {}): ResultOfBundle {
  return {
    rowId: `row-${runNumber}`,
    resultId: `R-${runNumber}`,
    state: 'held',
    decision: 'pass',
    contrary: false,
    runNumber,
    receiptId: 'receipt-1',
    operatorId: 'op-1',
    ...changes,
  };
}

const HELD: BundleCase = {
  rowId: 'bundle-1',
  bundleId: 'B-1',
  sha256: 'ab',
  state: 'held',
  instrument: 'NQ-R-0001',
  runs: { epoch: 2, first: 4, last: 6 },
  receivedAt: '2026-07-01T09:00:00Z',
  findings: [{ code: 'manifest-counts', pointer: '/manifest', message: 'counts 2, holds 1' }],
  results: [result(5)],
  checkRuns: [],
  acceptedRuns: [],
};
const run = (from: number, to = from, epoch = 2) => ({ epoch, from, to });

describe('the gaps a refused bundle leaves', () => {
  it.each<[string, Partial<BundleCase>, readonly ReturnType<typeof run>[]]>([
    ['every run it declares', {}, [run(4, 6)]],
    [
      'its results where it declares no run',
      { runs: { epoch: 2, first: null, last: 0 } },
      [run(5)],
    ],
    ['a result outside of what it declares', { results: [result(9)] }, [run(4, 6), run(9)]],
    ['its performance checks', { checkRuns: [7] }, [run(4, 7)]],
    ['less what accepted bundles hold', { acceptedRuns: [run(5), run(9)] }, [run(4), run(6)]],
    ['nothing where accepted bundles hold all', { acceptedRuns: [run(1, 20)] }, []],
    [
      'all where the same runs are of another epoch',
      { acceptedRuns: [run(1, 20, 1)] },
      [run(4, 6)],
    ],
    [
      'nothing where it held nothing',
      { runs: { epoch: 2, first: null, last: 3 }, results: [] },
      [],
    ],
  ])('are %s', (_, changes, gaps) => {
    const refusal = bundleRefusal({ ...HELD, ...changes });
    expect(refusal).toMatchObject({ possible: true, gaps });
    expect(refusal.effects.filter((e) => e.includes('become a gap'))).toHaveLength(gaps.length);
  });
});

describe('a bundle is not refused', () => {
  it.each<[string, Partial<BundleCase>, string]>([
    ['that is accepted', { state: 'accepted' }, 'it is accepted, there is nothing to refuse'],
    ['that was refused', { state: 'refused' }, 'it is refused, there is nothing to refuse'],
    ['of no named instrument', { instrument: null }, 'names no instrument'],
    ['whose runs cannot be read', { runs: null }, 'its runs cannot be read'],
    ['with a result that bears no run', { results: [result(null)] }, '1 of its results bear no'],
  ])('%s', (_, changes, because) => {
    const { possible, gaps, effects, because: why } = bundleRefusal({ ...HELD, ...changes });
    expect([possible, gaps, effects]).toEqual([false, [], []]);
    expect(why.join()).toContain(because);
  });
});

describe('what is signed of a held bundle', () => {
  it('says that contrary results count on and that held ones wait on', () => {
    const results = [result(5, { contrary: true, decision: 'fail' }), result(6)];
    expect(bundleRefusal({ ...HELD, results }).effects).toEqual(
      expect.arrayContaining([
        expect.stringContaining('1 contrary results of it count on'),
        expect.stringContaining('2 held results of it wait on'),
      ]),
    );
  });

  it('stays the same record after the act, and after a result of it was reviewed', () => {
    const before = bundleDocument(HELD);
    const after = bundleDocument({
      ...HELD,
      state: 'refused',
      results: [result(5, { state: 'refused', receiptId: null })],
      acceptedRuns: [run(4, 6)],
    });
    expect([after.subject, after.record]).toEqual([before.subject, before.record]);
    expect(after.context).not.toEqual(before.context);
  });
});
