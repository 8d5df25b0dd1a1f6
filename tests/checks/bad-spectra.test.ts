import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { testPeaks } from '../../src/checks/peak-test.js';
import { readSpectrum } from '../../src/checks/read-spectrum.js';
import { recheckResult } from '../../src/checks/recheck-result.js';
import { spectralScore } from '../../src/checks/spectral-score.js';
import { encodeFloats } from '../../src/formats/float-array.js';
import type { BundleResult, Spectrum } from '../../src/intake/result-bundle.js';
import type { IdentityTests, Treatment } from '../../src/site/method-treatment.js';
import type { Method } from '../../src/site/site-folder.js';
import { curve, dec, goodResult, methodOf, placesOfResult } from './fixture.js';

const measured = curve('paracetamol', 1);
const { length } = measured.axis;
const base64 = (values: Float64Array) => ({
  encoding: 'base64' as const,
  width: 'float64' as const,
  data: encodeFloats(values, 'float64'),
});
const numbers = (values: readonly number[]) => ({ encoding: 'numbers' as const, values });
const spectrumOf = (axis: Float64Array, intensity: Float64Array): Spectrum =>
  encodeSpectrum(axis, intensity, 'float64');
const replaced = (values: Float64Array, at: number, by: number) =>
  values.map((value, i) => (i === at ? by : value));

/** Everything that a method may ask for, at once. */
const treatment: Treatment = {
  interpolation: 'spline',
  baseline: {
    kind: 'asymmetric-least-squares',
    smoothness: dec('100000'),
    asymmetry: dec('0.01'),
    iterations: 10,
  },
  normalisation: 'snv',
  shiftAllowance: dec('3'),
};
const asks: IdentityTests = {
  peaks: {
    tolerance: dec('3'),
    relativeTo: dec('857.9'),
    present: [{ shift: dec('1236.8'), heightFrom: dec('0'), heightTo: dec('10') }],
    absent: [{ shift: dec('1000'), heightFrom: dec('0.2') }],
  },
  residual: { statistic: 'max', unit: 'noise', limit: dec('50') },
  margin: dec('0.1'),
};
const asking: Method = { ...methodOf('ID-M-1'), id: 'ID-ASKING', treatment, asks };
const others = [
  { material: 'M-2', name: 'ID-M-2', spectrum: methodOf('ID-M-2').reference as never },
];

describe('a spectrum that is none', () => {
  it.each<[string, BundleResult['spectrum'], string]>([
    [
      'not a number among the intensities',
      spectrumOf(measured.axis, replaced(measured.intensity, 3, Number.NaN)),
      'spectrum-values /results/0/spectrum/intensity',
    ],
    [
      'infinity among the intensities',
      spectrumOf(measured.axis, replaced(measured.intensity, 3, Number.POSITIVE_INFINITY)),
      'spectrum-values /results/0/spectrum/intensity',
    ],
    [
      'minus infinity on the axis',
      spectrumOf(replaced(measured.axis, 0, Number.NEGATIVE_INFINITY), measured.intensity),
      'spectrum-values /results/0/spectrum/axis',
    ],
    [
      'one point',
      { points: 1, axis: numbers([400]), intensity: numbers([1]), intensityUnit: 'counts' },
      'spectrum-points /results/0/spectrum/points',
    ],
    [
      'a descending axis',
      spectrumOf(measured.axis.slice().reverse(), measured.intensity),
      'spectrum-axis /results/0/spectrum/axis',
    ],
    [
      'a point twice',
      spectrumOf(replaced(measured.axis, 7, measured.axis[6] ?? 0), measured.intensity),
      'spectrum-axis /results/0/spectrum/axis',
    ],
    [
      'an even axis that runs down',
      {
        points: length,
        axis: { encoding: 'even', start: dec('2000'), step: dec('-2') },
        intensity: base64(measured.intensity),
        intensityUnit: 'counts',
      },
      'spectrum-axis /results/0/spectrum/axis',
    ],
    [
      'base64 of another length than declared',
      {
        points: length + 1,
        axis: base64(measured.axis),
        intensity: base64(measured.intensity),
        intensityUnit: 'counts',
      },
      'spectrum-encoding /results/0/spectrum/axis/data',
    ],
    [
      'base64 that is cut in a value',
      {
        points: length,
        axis: base64(measured.axis),
        intensity: { ...base64(measured.intensity), data: 'AAAAAAA=' },
        intensityUnit: 'counts',
      },
      'spectrum-encoding /results/0/spectrum/intensity/data',
    ],
    [
      'a million points, declared over a few',
      {
        points: 1_000_000,
        axis: base64(measured.axis),
        intensity: base64(measured.intensity),
        intensityUnit: 'counts',
      },
      'spectrum-points /results/0/spectrum/points',
    ],
  ])('%s: is told by its own code, and the pass is held', (_name, spectrum, place) => {
    const found = placesOfResult({ spectrum });
    expect(found).toEqual([place, 'recheck-not-possible /results/0/spectrum']);
  });

  it('with no points at all has not the shape of one', () => {
    const nothing = { axis: numbers([]), intensity: numbers([]), intensityUnit: 'counts' as const };
    expect(placesOfResult({ spectrum: { points: 0, ...nothing } })).toEqual([
      'schema /results/0/spectrum/points',
    ]);
  });

  it('past ten million points is turned away before anything is decoded', () => {
    const data = 'A'.repeat(4);
    const array = { encoding: 'base64' as const, width: 'float32' as const, data };
    const huge = { points: 10_000_000, axis: array, intensity: array } as const;
    const begin = performance.now();
    expect(readSpectrum({ ...huge, intensityUnit: 'counts' }, 20_000)).toMatchObject({
      kind: 'faulty',
      fault: { rule: 'spectrum-points', pointer: '/points' },
    });
    expect(performance.now() - begin).toBeLessThan(50);
  });

  it.each([
    [
      { integrationTimeMs: dec('-5') },
      'acquisition-impossible /results/0/acquisition/integrationTimeMs',
    ],
    [
      { integrationTimeMs: dec('0') },
      'acquisition-impossible /results/0/acquisition/integrationTimeMs',
    ],
    [{ laserPowerMw: dec('-0.1') }, 'acquisition-impossible /results/0/acquisition/laserPowerMw'],
  ])('acquired with %j is told so', (acquisition, place) => {
    expect(placesOfResult({ acquisition })).toEqual([place]);
  });

  it('may be acquired with any settings above nothing', () => {
    const acquisition = { integrationTimeMs: dec('0.001'), laserPowerMw: dec('250') };
    expect(placesOfResult({ acquisition })).toEqual([]);
  });

  it('with a threshold of 1.2 is held for the threshold', () => {
    const score = { ...goodResult(1).score, threshold: dec('1.2') } as never;
    expect(placesOfResult({ score })).toEqual([
      'threshold-other /results/0/score/threshold',
      'decision-score /results/0/decision',
    ]);
  });
});

/** Values that computing trips over. */
const awkward = fc.oneof(
  fc.double(),
  fc.constantFrom(
    0,
    -0,
    Number.MIN_VALUE,
    -Number.MIN_VALUE,
    2.2e-308,
    1e-310,
    Number.MAX_VALUE,
    -Number.MAX_VALUE,
    Number.EPSILON,
    Number.NaN,
    Number.POSITIVE_INFINITY,
    Number.NEGATIVE_INFINITY,
  ),
  fc.integer({ min: -100_000, max: 100_000 }),
);
const axes = fc.oneof(
  fc.array(awkward, { minLength: 2, maxLength: 60 }),
  // Ascending, with steps from next to nothing to enormous.
  fc
    .array(fc.constantFrom(5e-324, 1e-300, 1e-12, 0.1, 2, 50, 1e6, 1e300), {
      minLength: 2,
      maxLength: 60,
    })
    .map((steps) => {
      let at = 0;
      return steps.map((step) => {
        at += step;
        return at;
      });
    }),
  fc.constant(Array.from(measured.axis)),
);

describe('no spectrum whatever', () => {
  const methods = [
    asking,
    methodOf('ID-M-1'),
    {
      ...asking,
      id: 'ID-POLY',
      treatment: {
        ...treatment,
        baseline: { kind: 'clipped-polynomial' as const, order: 5, iterations: 50 },
      },
    },
  ];

  it('makes a recheck throw, loop, or agree with what has no number behind it', () => {
    fc.assert(
      fc.property(
        axes,
        awkward,
        fc.array(awkward, { minLength: 1, maxLength: 40 }),
        (x, y0, ys) => {
          const axis = Float64Array.from(x);
          const intensity = axis.map((_, i) => (i === 0 ? y0 : (ys[i % ys.length] ?? 0)));
          const reading = readSpectrum(spectrumOf(axis, intensity), 20_000);
          for (const method of methods) {
            const begin = performance.now();
            const found = recheckResult(goodResult(1), method, reading, others);
            expect(performance.now() - begin).toBeLessThan(2_000);
            if (found.score !== null) expect(Number.isFinite(Number(found.score))).toBe(true);
            if (found.answer === 'agrees') expect(Number(found.score)).toBeGreaterThanOrEqual(0.9);
            expect(found.answer === 'disagrees').toBe(found.disagreements.length > 0);
          }
        },
      ),
      { numRuns: 150 },
    );
  });

  it('gives a score that is not a number between -1 and 1', () => {
    const heights = fc.array(
      fc.oneof(
        fc.double({ noNaN: true, noDefaultInfinity: true }),
        fc.constantFrom(5e-324, 1e-310),
      ),
      { minLength: 1, maxLength: 30 },
    );
    fc.assert(
      fc.property(heights, (ys) => {
        const intensity = measured.axis.map((_, i) => ys[i % ys.length] ?? 0);
        for (const algorithm of ['correlation', 'cosine', 'squared-cosine'] as const) {
          const method = { ...asking, id: `ID-${algorithm}`, algorithm };
          const found = spectralScore(method, measured.axis, intensity);
          if (found.kind === 'scored') expect(Math.abs(found.score)).toBeLessThanOrEqual(1);
        }
      }),
      { numRuns: 100 },
    );
  });

  it('makes a peak test throw', () => {
    fc.assert(
      fc.property(axes, fc.array(awkward, { minLength: 1, maxLength: 60 }), (x, ys) => {
        const axis = Float64Array.from(x);
        const intensity = axis.map((_, i) => ys[i % ys.length] ?? 0);
        const outcome = testPeaks(asks.peaks as never, axis, intensity, 1);
        expect(['passed', 'failed']).toContain(outcome.kind);
      }),
    );
  });

  it('takes long: a million points, and 20,000 points with all that a method may ask for', () => {
    const axis = Float64Array.from({ length: 20_000 }, (_, i) => 200 + i * 0.1);
    const intensity = axis.map((x) => 1000 / (1 + ((x - 857.9) / 5) ** 2) + 10 * Math.sin(x * 77));
    const fine = { ...asking, id: 'ID-FINE', gridStep: dec('0.5') };
    const begin = performance.now();
    recheckResult(goodResult(1), fine, readSpectrum(spectrumOf(axis, intensity), 20_000), others);
    const long = Float64Array.from({ length: 1_000_000 }, (_, i) => 200 + i * 0.002);
    const reading = readSpectrum(spectrumOf(long, long.map(Math.sin)), 1_000_000);
    recheckResult(goodResult(1), asking, reading, others);
    expect(performance.now() - begin).toBeLessThan(20_000);
  });
});
