import { describe, expect, it } from 'vitest';
import type { BundleParts } from '../../src/checks/assemble-bundle.js';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import { dec, goodParts, methodOf, placesOfBundle, placesOfResult } from './fixture.js';

const candidates = (...ranked: [string, string][]): BundleResult['candidates'] =>
  ranked.map(([material, score]) => ({ material, score: dec(score) }));

describe('a pass of a verification', () => {
  it.each<[string, BundleResult['candidates']]>([
    ['ahead of the picked one', candidates(['M-2', '0.99'], ['M-1', '0.95'])],
    ['alone', candidates(['M-2', '0.99'])],
    ['with the same score', candidates(['M-2', '0.99'], ['M-1', '0.99'])],
  ])('is held where the best candidate is another material, %s', (_how, ranked) => {
    expect(placesOfResult({ candidates: ranked })).toEqual([
      'pass-other-candidate /results/0/candidates/0/material',
    ]);
  });

  it('is none of these where its material stands first, or where it is no pass', () => {
    expect(placesOfResult({ candidates: candidates(['M-1', '0.99'], ['M-2', '0.95']) })).toEqual(
      [],
    );
    expect(placesOfResult({ candidates: [] })).toEqual([]);
    const unsure: Partial<BundleResult> = { decision: 'inconclusive', score: null };
    expect(placesOfResult({ ...unsure, candidates: candidates(['M-2', '0.99']) })).not.toContain(
      'pass-other-candidate /results/0/candidates/0/material',
    );
  });

  it('is held too when the operator picked nothing', () => {
    expect(placesOfResult({ material: null, candidates: candidates(['M-2', '0.99']) })).toContain(
      'pass-other-candidate /results/0/candidates/0/material',
    );
  });
});

describe('a list that names one thing twice', () => {
  const right = methodOf('ID-M-1').contentDigest;
  const wrong = 'f'.repeat(64) as typeof right;
  const methods = (...digests: (typeof right)[]): Partial<BundleParts> => ({
    methods: digests.map((digest) => ({ id: 'ID-M-1', version: '1', digest })),
  });
  const HELD = 'method-listed-twice /results/0/method';

  it('holds the results of a method with two contents, whichever comes last', () => {
    expect(placesOfBundle(methods(wrong, right))).toEqual([HELD]);
    expect(placesOfBundle(methods(right, wrong))).toContain(HELD);
    expect(placesOfBundle(methods(right, wrong, right))).toEqual([HELD]);
    expect(placesOfBundle(methods(right, right))).toEqual([]);
  });

  it('holds no result of another method', () => {
    const all = goodParts().methods;
    const twice = [...all, { id: 'ID-M-2', version: '1', digest: wrong }];
    expect(placesOfBundle({ methods: twice })).toEqual([]);
  });

  it('holds the results of an operator with two names', () => {
    const operators = (...names: string[]) => names.map((name) => ({ id: 'op-1', name }));
    expect(placesOfBundle({ operators: operators('One (simulated)', 'Two (simulated)') })).toEqual([
      'operator-listed-twice /results/0/operatorId',
    ]);
    expect(placesOfBundle({ operators: operators('One (simulated)', 'One (simulated)') })).toEqual(
      [],
    );
    const others = [...goodParts().operators, { id: 'op-2', name: 'a' }, { id: 'op-2', name: 'b' }];
    expect(placesOfBundle({ operators: others })).toEqual([]);
  });
});
