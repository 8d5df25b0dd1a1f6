import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { encodeFloats } from '../../src/formats/float-array.js';
import type { BundleResult, Spectrum } from '../../src/intake/result-bundle.js';
import {
  curve,
  dec,
  examineParts,
  findingsOf,
  goodCheck,
  goodParts,
  goodResult,
  placesOf,
  placesOfResult,
  SITE,
  scoreOf,
} from './fixture.js';

const measured = curve('paracetamol', 1);
const other = curve('naphthalene', 1);
const score = (value: string, over: object = {}): BundleResult['score'] => ({
  algorithm: 'squared-correlation',
  value: dec(value),
  threshold: dec('0.90'),
  ...over,
});
const spectrum = (over: Partial<Spectrum>): Spectrum => ({
  ...encodeSpectrum(measured.axis, measured.intensity, 'float64'),
  ...over,
});
const numbers = (values: readonly number[]) => ({ encoding: 'numbers' as const, values });

describe('one result', () => {
  it('holds both of two results with one id, and nothing else', () => {
    const results = [goodResult(1), goodResult(2, { resultId: 'R-1' }), goodResult(3)];
    expect(placesOf(findingsOf(examineParts(goodParts(results))))).toEqual([
      'result-double /results/0/resultId',
      'result-double /results/1/resultId',
    ]);
  });

  it('is held when a performance check has the same run number', () => {
    const parts = goodParts([goodResult(1)], { performanceChecks: [goodCheck(1)] });
    expect(placesOf(findingsOf(examineParts(parts)))).toEqual(['run-double /results/0/runNumber']);
  });

  it.each<[string, Partial<BundleResult>, string[]]>([
    ['no receipt', { receipt: null }, ['label-missing /results/0/receipt']],
    ['no container', { container: null }, ['label-missing /results/0/container']],
    [
      'typed and carried-over labels',
      {
        receipt: { scanned: 'GR-1', entry: 'typed' },
        container: { scanned: 'C-1', entry: 'carried-over' },
      },
      [
        'label-not-scanned /results/0/receipt/entry',
        'label-not-scanned /results/0/container/entry',
      ],
    ],
    [
      'a material nobody knows',
      { material: 'M-9' },
      ['material-unknown /results/0/material', 'method-other-material /results/0/material'],
    ],
    [
      'a method for another material than picked',
      { material: 'M-2' },
      ['method-other-material /results/0/material'],
    ],
    [
      'a method nobody registered',
      { method: { id: 'ID-M-9', version: '1' } },
      ['method-unknown /results/0/method'],
    ],
    [
      'a version nobody registered',
      { method: { id: 'ID-M-1', version: '2' } },
      ['method-unknown /results/0/method'],
    ],
    [
      'another mode than registered',
      { mode: 'identification' },
      ['method-mode /results/0/mode', 'decision-mode /results/0/decision'],
    ],
    [
      'an operator the bundle does not list',
      { operatorId: 'op-2' },
      ['operator-undeclared /results/0/operatorId'],
    ],
    ['a pass without a score', { score: null }, ['score-missing /results/0/score']],
    [
      'a score of another algorithm',
      { score: score(scoreOf('ID-M-1', measured), { algorithm: 'cosine' }) },
      ['score-algorithm /results/0/score/algorithm'],
    ],
    [
      'another threshold than registered',
      { score: score(scoreOf('ID-M-1', measured), { threshold: dec('0.80') }) },
      ['threshold-other /results/0/score/threshold'],
    ],
    [
      'a time without offset',
      { measuredAt: '2026-07-01T12:11:00' },
      ['time-unreadable /results/0/measuredAt'],
    ],
    [
      'a time on a day that does not exist',
      { measuredAt: '2026-06-31T12:11:00+01:00' },
      ['time-unreadable /results/0/measuredAt'],
    ],
    [
      'a time past the tolerance after now',
      { measuredAt: '2026-07-01T13:02:00.001+01:00' },
      ['time-future /results/0/measuredAt'],
    ],
    [
      'winter offset in summer',
      { measuredAt: '2026-07-01T11:11:00+00:00' },
      ['time-offset /results/0/measuredAt'],
    ],
    ['an assumed offset', { timeSource: 'assumed' }, ['time-assumed /results/0/timeSource']],
    [
      'a claim to replace another',
      { supersedes: { resultId: 'R-0', reason: 'bag in the beam' } },
      ['supersession-claimed /results/0/supersedes'],
    ],
    [
      'candidates out of rank',
      {
        candidates: [
          { material: 'M-1', score: dec('0.31') },
          { material: 'M-2', score: dec('0.98') },
        ],
      },
      ['candidates-order /results/0/candidates/1/score'],
    ],
    [
      'more points than the site takes',
      { spectrum: spectrum({ points: 2001 }) },
      ['spectrum-points /results/0/spectrum/points', 'recheck-not-possible /results/0/spectrum'],
    ],
    [
      'an intensity shorter than declared',
      {
        spectrum: spectrum({
          intensity: {
            encoding: 'base64',
            width: 'float64',
            data: encodeFloats(measured.intensity.subarray(1), 'float64'),
          },
        }),
      },
      [
        'spectrum-encoding /results/0/spectrum/intensity/data',
        'recheck-not-possible /results/0/spectrum',
      ],
    ],
    [
      'an axis of another length than declared',
      { spectrum: spectrum({ axis: numbers([1, 2, 3]) }) },
      [
        'spectrum-length /results/0/spectrum/axis/values',
        'recheck-not-possible /results/0/spectrum',
      ],
    ],
    [
      'a value that is not a number',
      {
        spectrum: encodeSpectrum(
          measured.axis,
          measured.intensity.map((v, i) => (i === 5 ? Number.NaN : v)),
          'float32',
        ),
      },
      ['spectrum-values /results/0/spectrum/intensity', 'recheck-not-possible /results/0/spectrum'],
    ],
    [
      'an axis that stands still once',
      {
        spectrum: encodeSpectrum(
          measured.axis.map((v, i) => (i === 5 ? v - 2 : v)),
          measured.intensity,
          'float64',
        ),
      },
      ['spectrum-axis /results/0/spectrum/axis', 'recheck-not-possible /results/0/spectrum'],
    ],
    [
      'an axis that begins inside the range of the method',
      {
        spectrum: encodeSpectrum(
          measured.axis.subarray(26),
          measured.intensity.subarray(26),
          'float64',
        ),
      },
      ['spectrum-range /results/0/spectrum/axis', 'recheck-not-possible /results/0/spectrum'],
    ],
    [
      'a constant trace',
      {
        spectrum: encodeSpectrum(
          measured.axis,
          measured.axis.map(() => 7),
          'float64',
        ),
      },
      [
        'spectrum-constant /results/0/spectrum/intensity',
        'recheck-not-possible /results/0/spectrum',
      ],
    ],
    ['a pass without a spectrum', { spectrum: null }, ['recheck-not-possible /results/0/spectrum']],
    [
      'a pass whose spectrum is of another material',
      { spectrum: encodeSpectrum(other.axis, other.intensity, 'float64') },
      ['recheck-other-material /results/0/spectrum'],
    ],
    [
      'a reported score far from the recomputed one',
      { score: score('0.93') },
      ['recheck-disagrees /results/0/score/value'],
    ],
  ])('with %s is told so', (_name, over, places) => {
    expect(placesOfResult(over)).toEqual(places);
  });

  it('is not held by its place right at a limit', () => {
    expect(placesOfResult({ measuredAt: '2026-07-01T13:02:00+01:00' })).toEqual([]);
    expect(placesOfResult({ measuredAt: '2026-07-01T11:11:00Z' })).toEqual([]);
    expect(
      placesOfResult({
        spectrum: encodeSpectrum(
          measured.axis.subarray(25),
          measured.intensity.subarray(25),
          'float64',
        ),
      }),
    ).toEqual([]);
  });

  it('rule 5: is held when its method has other content than registered, or says none', () => {
    const methods = SITE.methods.map((m) => ({
      id: m.id,
      version: m.version,
      digest: 'a'.repeat(64),
    }));
    for (const over of [{ methods }, { methods: [] }]) {
      const examination = examineParts(goodParts(undefined, over));
      expect(placesOf(findingsOf(examination))).toEqual(['method-content /results/0/method']);
    }
  });

  it.each([
    ['fail', '0.90', ['decision-score /results/0/decision']],
    ['fail', '0.8999', []],
    ['pass', '0.8999', ['decision-score /results/0/decision']],
    ['pass', '0.90', []],
    ['inconclusive', '0.99', []],
  ] as const)('%s at score %s against 0.90, unrounded', (decision, value, places) => {
    const found = placesOfResult({ decision, score: score(value), spectrum: null });
    expect(found.filter((place) => place.startsWith('decision-score'))).toEqual(places);
  });

  it('compares with the registered threshold when it reports none', () => {
    const found = placesOfResult({ score: score('0.89', { threshold: null }), spectrum: null });
    expect(found).toContain('decision-score /results/0/decision');
    expect(found).not.toContain('threshold-other /results/0/score/threshold');
  });

  it('takes the threshold by its value, so 0.9 and 0.90 are one', () => {
    const value = scoreOf('ID-M-1', measured);
    expect(placesOfResult({ score: score(value, { threshold: dec('0.9') }) })).toEqual([]);
  });

  it('may be contrary without a spectrum: bad news needs no recheck', () => {
    expect(placesOfResult({ decision: 'aborted', score: null, spectrum: null })).toEqual([]);
    expect(placesOfResult({ decision: 'fail', score: score('0.12'), spectrum: null })).toEqual([]);
  });

  it('rule 5: stays a fail, and is held, when the recheck would have passed it', () => {
    const over = { decision: 'fail' as const, score: score('0.42') };
    const examination = examineParts(goodParts([goodResult(1, over)]));
    const [result] = examination.results;
    expect(placesOf(result?.findings ?? [])).toEqual(['recheck-disagrees /results/0/score/value']);
    expect(result?.reading.contrary).toBe(true);
    expect(result?.recheck.answer).toBe('disagrees');
  });

  it('is demoted when recomputed below the threshold, however close the scores are', () => {
    const noisy = curve('paracetamol', 3, 250);
    const value = Number(scoreOf('ID-M-1', noisy));
    const threshold = dec((value + 0.002).toFixed(4));
    const reported = (value + 0.004).toFixed(4);
    const [result] = examineParts(
      goodParts([
        goodResult(1, {
          spectrum: encodeSpectrum(noisy.axis, noisy.intensity, 'float64'),
          score: score(reported, { threshold }),
        }),
      ]),
      { ...SITE, methods: SITE.methods.map((m) => ({ ...m, threshold })) },
    ).results;
    expect(placesOf(result?.findings ?? [])).toEqual(['recheck-disagrees /results/0/score/value']);
    expect(Number(result?.recheck.score)).toBeCloseTo(value, 4);
    expect(result?.recheck.reason).toContain(`below the threshold ${threshold}`);
  });

  it('of an undisclosed algorithm is remarked on and not held, with or without a score', () => {
    const over = { method: { id: 'ID-CLOSED', version: '1' } };
    for (const extra of [{}, { score: null }, { spectrum: null }]) {
      const examination = examineParts(goodParts([goodResult(1, { ...over, ...extra })]));
      expect(findingsOf(examination).map((f) => `${f.severity} ${f.code}`)).toEqual([
        'remark recheck-undisclosed',
      ]);
      expect(examination.results[0]?.recheck.answer).toBe('not-recomputable');
    }
  });

  it('rule 5: without a trace is held, unless its method is declared not recomputable', () => {
    const declared = {
      ...SITE,
      methods: SITE.methods.map((m) => ({ ...m, notRecomputable: 'D-010' })),
    };
    const untraced = goodParts([goodResult(1, { spectrum: null })]);
    const codes = (site: typeof SITE, parts = untraced) =>
      findingsOf(examineParts(parts, site)).map((f) => `${f.severity} ${f.code}`);
    expect(codes(SITE)).toEqual(['hold recheck-not-possible']);
    expect(codes(declared)).toEqual(['remark recheck-no-trace']);
    // With a trace it is recomputed as always.
    expect(codes(declared, goodParts([goodResult(1)]))).toEqual([]);
    const { axis, intensity } = curve('naphthalene');
    const other = encodeSpectrum(axis, intensity, 'float64');
    expect(codes(declared, goodParts([goodResult(1, { spectrum: other })]))).toEqual([
      'hold recheck-other-material',
    ]);
  });

  it('that is a match names its material by the best candidate', () => {
    const match = {
      mode: 'identification' as const,
      method: { id: 'ID-FIND', version: '1' },
      decision: 'match' as const,
    };
    const candidates = [{ material: 'M-1', score: dec('0.98') }];
    expect(placesOfResult({ ...match, candidates })).toEqual([]);
    expect(placesOfResult({ ...match, candidates: [] })).toEqual([
      'match-without-candidate /results/0/candidates',
    ]);
    const wrong = [{ material: 'M-2', score: dec('0.98') }];
    const examination = examineParts(goodParts([goodResult(1, { ...match, candidates: wrong })]));
    expect(examination.results[0]?.reading).toMatchObject({
      matchedMaterial: 'M-2',
      contrary: true,
    });
    expect(placesOf(findingsOf(examination))).toEqual([
      'ranking-winner /results/0/candidates/0/material',
    ]);
  });

  it('keeps the width, digits and digest of its spectrum', () => {
    const narrow = encodeSpectrum(measured.axis, measured.intensity, 'float32');
    const even = {
      ...narrow,
      axis: { encoding: 'even' as const, start: dec('200.0'), step: dec('2.00') },
    };
    const [a, b] = examineParts(
      goodParts([goodResult(1, { spectrum: narrow }), goodResult(2, { spectrum: even })]),
    ).results;
    expect(a?.spectrum).toMatchObject({
      points: 901,
      axisWidth: 'float32',
      intensityWidth: 'float32',
      axisFirst: '200',
      axisLast: '2000',
    });
    expect(b?.spectrum).toMatchObject({
      axisWidth: 'even',
      axisFirst: '200.0',
      axisLast: '2000.00',
    });
    expect(a?.values?.axis).toBeInstanceOf(Float32Array);
    expect(b?.values?.even).toEqual({ start: '200.0', step: '2.00' });
    // Same values, so the same digest, whatever the form they came in.
    expect(b?.spectrum?.sha256).toBe(a?.spectrum?.sha256);
  });
});
