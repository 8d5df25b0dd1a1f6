import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { isHeld } from '../../src/checks/examination.js';
import type { Finding } from '../../src/checks/finding.js';
import { testPeaks } from '../../src/checks/peak-test.js';
import { spectralScore } from '../../src/checks/spectral-score.js';
import { gaussian, seededRandom } from '../../src/simulation/seeded-random.js';
import { methodContentDigest } from '../../src/site/method-content.js';
import type { IdentityTests, PeakTest, Treatment } from '../../src/site/method-treatment.js';
import type { Method, SiteFolder, SiteReference } from '../../src/site/site-folder.js';
import { dec, examineParts, findingsOf, goodParts, goodResult, placesOf, SITE } from './fixture.js';

/**
 * Simulated. Bands of glycerin and of diethylene glycol near where the two really have some (from memory), heights and
 * widths invented: what matters is that they share most bands and that one of them is told by a band of its own.
 */
const GLYCERIN: readonly Band[] = [
  [485, 0.45],
  [550, 0.35],
  [675, 0.3],
  [851, 0.95],
  [1056, 0.7],
  [1110, 0.5],
  [1260, 0.4],
  [1465, 1],
];
const DIETHYLENE_GLYCOL: readonly Band[] = [
  [530, 0.2],
  [842, 0.7],
  [893, 0.6],
  [1065, 0.6],
  [1128, 0.5],
  [1243, 0.45],
  [1284, 0.6],
  [1466, 1],
];
type Band = readonly [number, number];

const axis = Float64Array.from({ length: 901 }, (_, i) => 200 + 2 * i);

function mixture(parts: readonly (readonly [number, readonly Band[]])[], seed = 1, noise = 20) {
  const random = seededRandom(seed);
  return axis.map((x) => {
    let y = 500;
    for (const [share, bands] of parts)
      for (const [at, height] of bands) y += (share * 9000 * height) / (1 + ((x - at) / 11) ** 2);
    return y + noise * gaussian(random);
  });
}

const referenceOf = (bands: readonly Band[], name: string) => ({
  axis,
  intensity: mixture([[1, bands]], 1, 0),
  sha256: name as never,
});

/** The usual limit named for a score, by Pearson's r; see "A high score is not identity" in docs/recheck.md. */
function glycerinMethod(asks?: IdentityTests, treatment?: Treatment): Method {
  const reference = referenceOf(GLYCERIN, 'glycerin');
  const content = {
    algorithm: 'correlation' as const,
    threshold: dec('0.95'),
    range: { from: dec('400'), to: dec('1600') },
    gridStep: dec('2'),
    derivative: null,
    ...(asks === undefined ? {} : { asks }),
    ...(treatment === undefined ? {} : { treatment }),
  };
  return {
    id: 'ID-GLY',
    version: '1',
    title: 'Glycerin (simulated)',
    material: 'M-1',
    mode: 'verification',
    scoreTolerance: dec('0.02'),
    approvals: [{ material: 'M-1', decision: 'D-003' }],
    ...content,
    reference,
    contentDigest: methodContentDigest({ ...content, referenceSha256: reference.sha256 }),
  };
}

const OTHER: SiteReference = {
  material: 'M-2',
  file: 'references/other.csv',
  models: null,
  spectrum: referenceOf(DIETHYLENE_GLYCOL, 'other'),
};

function siteOf(method: Method, references: readonly SiteReference[] = [OTHER]): SiteFolder {
  return { ...SITE, methods: [method], references };
}

/** A pass with the score that the method gives the trace, which is what the instrument would report. */
function passOf(method: Method, intensity: Float64Array, over: object = {}) {
  const scored = spectralScore(method, axis, intensity);
  if (scored.kind !== 'scored') throw new Error(scored.reason);
  return {
    score: scored.score,
    result: goodResult(1, {
      method: { id: method.id, version: method.version },
      score: {
        algorithm: method.algorithm,
        value: dec(scored.score.toFixed(4)),
        threshold: method.threshold,
      },
      spectrum: encodeSpectrum(axis, intensity, 'float64'),
      ...over,
    }),
  };
}

function examined(method: Method, intensity: Float64Array, references?: readonly SiteReference[]) {
  const { id, version, contentDigest: digest } = method;
  const { score, result } = passOf(method, intensity);
  const parts = goodParts([result], { methods: [{ id, version, digest }] });
  const examination = examineParts(parts, siteOf(method, references ?? [OTHER]));
  return { score, findings: findingsOf(examination), examined: examination.results[0] };
}

const NOTHING: IdentityTests = { peaks: null, residual: null, margin: null };
const PEAKS: PeakTest = {
  tolerance: dec('4'),
  relativeTo: dec('1465'),
  present: [
    { shift: dec('485'), heightFrom: dec('0.2'), heightTo: dec('0.6') },
    { shift: dec('851'), heightFrom: dec('0.7'), heightTo: dec('1.1') },
  ],
  absent: [{ shift: dec('893'), heightFrom: dec('0.05') }],
};
const pure = mixture([[1, GLYCERIN]], 3);
/** Glycerin with diethylene glycol: a fifth of it is published to score r = 0.96 against pure glycerin. */
const adulterated = mixture(
  [
    [0.8, GLYCERIN],
    [0.37, DIETHYLENE_GLYCOL],
  ],
  4,
);
const only = (findings: readonly Finding[]) => placesOf(findings);

describe('a high score is not identity: glycerin with diethylene glycol', () => {
  it('scores about 0.96 and passes where the method asks for nothing but the score', () => {
    const { score, findings, examined: result } = examined(glycerinMethod(), adulterated);
    expect(score).toBeCloseTo(0.96, 2);
    expect(only(findings)).toEqual([]);
    expect(result?.recheck.answer).toBe('agrees');
  });

  it.each<[string, IdentityTests, string, readonly string[]]>([
    [
      'a peak test',
      { ...NOTHING, peaks: PEAKS },
      'recheck-peaks /results/0/spectrum/intensity',
      ['893'],
    ],
    [
      'a residual test in reference heights',
      {
        ...NOTHING,
        residual: { statistic: 'max', unit: 'reference-height', limit: dec('0.05') },
      },
      'recheck-residual /results/0/spectrum/intensity',
      ['found', 'limit', 'statistic', 'unit'],
    ],
    [
      'a residual test in noise',
      { ...NOTHING, residual: { statistic: 'rms', unit: 'noise', limit: dec('2') } },
      'recheck-residual /results/0/spectrum/intensity',
      ['found', 'limit', 'statistic', 'unit'],
    ],
    [
      'a margin',
      { ...NOTHING, margin: dec('0.25') },
      'recheck-margin /results/0/spectrum',
      ['lead', 'margin', 'next', 'nextScore'],
    ],
  ])(
    'is no pass where the method asks for %s, and pure glycerin is one',
    (_n, asks, place, numbers) => {
      const method = glycerinMethod(asks);
      const { findings, examined: result, score } = examined(method, adulterated);
      expect(score).toBeGreaterThan(0.95);
      expect(only(findings)).toEqual([place]);
      expect(Object.keys(findings[0]?.numbers ?? {})).toEqual([...numbers, 'source']);
      expect(findings[0]?.numbers?.['source']).toBe('ID-GLY version 1');
      expect(isHeld(findings)).toBe(true);
      expect(result?.recheck.answer).toBe('disagrees');
      const good = examined(method, pure);
      expect(only(good.findings)).toEqual([]);
      expect(good.examined?.recheck.answer).toBe('agrees');
    },
  );

  it('is below a threshold that it misses by less than what is shown', () => {
    const { score } = passOf(glycerinMethod(), pure);
    const threshold = dec((score + 1e-9).toFixed(12));
    const shownAlike = { ...glycerinMethod(), id: 'ID-NEAR', threshold };
    const { findings } = examined(shownAlike, pure);
    expect(only(findings)).toContain('recheck-disagrees /results/0/score/value');
  });

  it('names every test that fails', () => {
    const asks: IdentityTests = {
      peaks: PEAKS,
      residual: { statistic: 'rms', unit: 'noise', limit: dec('2') },
      margin: dec('0.25'),
    };
    const { findings } = examined(glycerinMethod(asks), adulterated);
    expect(findings.map(({ code }) => code)).toEqual([
      'recheck-peaks',
      'recheck-residual',
      'recheck-margin',
    ]);
  });

  it('never makes a pass of a fail that stands every test', () => {
    const method = glycerinMethod({ ...NOTHING, peaks: PEAKS });
    const { id, version, contentDigest: digest } = method;
    const value = dec('0.20');
    const { result } = passOf(method, pure, {
      decision: 'fail',
      score: { algorithm: 'correlation', value, threshold: method.threshold },
    });
    const parts = goodParts([result], { methods: [{ id, version, digest }] });
    const examination = examineParts(parts, siteOf(method));
    expect(placesOf(findingsOf(examination))).toEqual(['recheck-disagrees /results/0/score/value']);
    expect(examination.results[0]?.reading.contrary).toBe(true);
  });
});

describe('a margin', () => {
  const method = glycerinMethod({ ...NOTHING, margin: dec('0.1') });

  it('cannot be judged without a reference of another material, or with one that is too short', () => {
    const short = {
      ...OTHER,
      spectrum: { ...OTHER.spectrum, axis: axis.subarray(150), intensity: pure.subarray(150) },
    };
    for (const references of [[], [short]]) {
      const { findings, examined: result } = examined(method, pure, references);
      expect(only(findings)).toEqual(['recheck-not-possible /results/0/spectrum']);
      expect(findings[0]?.message).toContain('margin: ');
      expect(result?.recheck.answer).toBe('not-recomputable');
    }
  });

  it('counts the references that stand for the model of the instrument, and no others', () => {
    const near = { ...OTHER, spectrum: referenceOf(GLYCERIN, 'twin'), file: 'references/twin.csv' };
    const elsewhere = { ...near, models: ['Model Z (simulated)'] };
    const here = { ...near, models: ['Model A (simulated)'] };
    expect(only(examined(method, pure, [OTHER, elsewhere]).findings)).toEqual([]);
    const { findings } = examined(method, pure, [OTHER, here]);
    expect(only(findings)).toEqual(['recheck-margin /results/0/spectrum']);
    expect(findings[0]?.message).toContain('references/twin.csv');
  });
});

describe('the reference set', () => {
  const force = {
    effectiveFrom: null,
    retiredAt: null,
    invalidatedAt: null,
    invalidation: null,
    absent: [],
    beside: [],
  };
  const twin: Method = {
    ...glycerinMethod(),
    id: 'ID-TWIN',
    material: 'M-2',
    reference: referenceOf(GLYCERIN, 'twin'),
  };

  it.each<[string, Partial<typeof force> | { absent: object[] }, boolean]>([
    ['in force', {}, true],
    ['found wrong', { invalidatedAt: 5 as never }, false],
    ['retired', { retiredAt: 5 as never }, false],
    ['left out of the folder', { absent: [{ from: 5, to: null }] }, false],
    ['back in the folder', { absent: [{ from: 5, to: 6 }] }, true],
  ])('with a curve of a method that is %s', (_name, over, isThere) => {
    const method = glycerinMethod({ ...NOTHING, margin: dec('0.1') });
    const site = siteOf(method);
    const other = { ...twin, force: { ...force, ...over } as never };
    const { result } = passOf(method, pure);
    const { id, version, contentDigest: digest } = method;
    const parts = goodParts([result], { methods: [{ id, version, digest }] });
    const found = findingsOf(examineParts(parts, { ...site, methods: [method, other] }));
    expect(placesOf(found)).toEqual(isThere ? ['recheck-margin /results/0/spectrum'] : []);
  });
});

describe('a peak test', () => {
  const look = (over: Partial<PeakTest>, trace = pure) =>
    testPeaks({ ...PEAKS, present: [], absent: [], ...over }, axis, trace, 2);
  const present = (shift: string, heightFrom: string, heightTo: string) => ({
    present: [{ shift: dec(shift), heightFrom: dec(heightFrom), heightTo: dec(heightTo) }],
  });

  it.each<[string, Partial<PeakTest>, string]>([
    ['a band that is not there', present('780', '0', '2'), 'expected a band at 780'],
    ['a band that is too far away', present('857', '0', '2'), 'expected a band at 857'],
    ['a band that is too low', present('851', '1.2', '2'), 'expected 1.2 to 2'],
    ['a band that is too high', present('851', '0.1', '0.5'), 'expected 0.1 to 0.5'],
    [
      'a band that must not be there',
      { absent: [{ shift: dec('851'), heightFrom: dec('0.1') }] },
      'expected no band at 851',
    ],
    ['no band to be relative to', { relativeTo: dec('780') }, 'at 780 cm-1 that heights'],
    ['the end of the axis', present('201', '0', '2'), 'the axis does not cover'],
  ])('fails on %s', (_name, over, words) => {
    const outcome = look(over);
    expect(outcome.kind).toBe('failed');
    expect(outcome.message).toContain(words);
  });

  it('takes a low band for none where a height is allowed, and limits are inclusive', () => {
    expect(look({ absent: [{ shift: dec('851'), heightFrom: dec('1.2') }] }).kind).toBe('passed');
    expect(look({ absent: [{ shift: dec('780'), heightFrom: dec('0.01') }] }).kind).toBe('passed');
    expect(look(present('1465', '1', '1')).kind).toBe('passed');
  });

  it('does not take a saturated band for the one that is asked for', () => {
    const top = pure.map((y) => Math.min(y, 6000));
    const outcome = look(present('851', '0', '9'), top);
    expect(outcome).toMatchObject({ kind: 'failed' });
    expect(outcome.message).toMatch(/equal values are the top/);
  });
});

describe('the content of a method', () => {
  const plain = {
    algorithm: 'squared-correlation' as const,
    threshold: dec('0.90'),
    range: { from: dec('250'), to: dec('1800') },
    gridStep: dec('1'),
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    referenceSha256: 'a'.repeat(64),
  };
  const treatment: Treatment = {
    interpolation: 'spline',
    baseline: null,
    normalisation: 'snv',
    shiftAllowance: dec('2'),
  };

  it('of a method that declares nothing more has the digest it had before there was more to declare', () => {
    // Taken from the version before treatments existed.
    const before = '27f8588acd9bbfd6c6317c3ccf12297a4be04780d541ca76b93188728888ae3d';
    expect(methodContentDigest(plain)).toBe(before);
    expect(methodContentDigest({ ...plain, treatment: undefined, asks: undefined })).toBe(before);
  });

  it('changes with everything that is declared', () => {
    const asks: IdentityTests = { peaks: PEAKS, residual: null, margin: dec('0.1') };
    const all = [
      plain,
      { ...plain, algorithm: 'cosine' as const },
      { ...plain, treatment },
      { ...plain, treatment: { ...treatment, shiftAllowance: dec('3') } },
      { ...plain, treatment: { ...treatment, normalisation: 'none' as const } },
      { ...plain, asks },
      { ...plain, asks: { ...asks, margin: dec('0.10') } },
      { ...plain, asks: { ...asks, peaks: { ...PEAKS, absent: [] } } },
      { ...plain, treatment, asks },
    ];
    expect(new Set(all.map(methodContentDigest)).size).toBe(all.length);
  });
});
