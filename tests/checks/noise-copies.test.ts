import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { tracePattern } from '../../src/checks/bundle-traces.js';
import { curveCorrelation } from '../../src/checks/noise-curve.js';
import { noisePattern } from '../../src/checks/signal-region.js';
import { gaussian, seededRandom } from '../../src/simulation/seeded-random.js';
import { curve, dec, examineParts, findingsOf, goodParts, goodResult } from './fixture.js';
import { type Curve, changed, LIMITS, resultOn, siteWith } from './signal-fixture.js';

/** Copies of a measurement at other points than its own, and measurements that are none. */

const [OWN] = LIMITS.methods;
if (OWN === undefined) throw new Error('expected limits of a method');
const another = { ...OWN, method: 'ID-M-2' };
const later = { ...OWN, version: '2' };
// Coarse axes are another finding.
const detectors = LIMITS.detectors.map(({ resolutionCm1: _, ...detector }) => detector);
const site = siteWith({ methods: [OWN, another, later], detectors });

const keeping = ({ axis, intensity }: Curve, isKept: (x: number, i: number) => boolean): Curve => ({
  axis: axis.filter((x, i) => isKept(x, i)),
  intensity: intensity.filter((_, i) => isKept(axis[i] as number, i)),
});
const thinned = (of: Curve, step: number, from = 0) => keeping(of, (_, i) => i % step === from);

/** Straight between the points, as any program would resample. */
function resampled({ axis, intensity }: Curve, step: number, from: number): Curve {
  const first = axis[0] as number;
  const count = Math.floor(((axis.at(-1) as number) - first - from) / step);
  const points = Float64Array.from({ length: count }, (_, i) => first + from + i * step);
  return {
    axis: points,
    intensity: points.map((x) => {
      const right = Math.max(
        1,
        axis.findIndex((at) => at >= x),
      );
      const [x0, x1] = [axis[right - 1] as number, axis[right] as number];
      const [y0, y1] = [intensity[right - 1] as number, intensity[right] as number];
      return y0 + ((x - x0) / (x1 - x0)) * (y1 - y0);
    }),
  };
}

const rescaled = ({ axis, intensity }: Curve): Curve => ({
  axis,
  intensity: intensity.map((y, i) => 1.07 * y + 300 + (axis[i] as number) / 50),
});

const COPIES: [string, (of: Curve) => Curve][] = [
  ['at every second point', (of) => thinned(of, 2)],
  ['at every other second point', (of) => thinned(of, 2, 1)],
  ['at every third point', (of) => thinned(of, 3)],
  ['at every fourth point', (of) => thinned(of, 4)],
  ['interpolated half a step beside', (of) => resampled(of, 2, 1)],
  ['interpolated onto a finer axis', (of) => resampled(of, 1.5, 0.7)],
  ['interpolated onto a coarser axis', (of) => resampled(of, 3, 0.3)],
  ['without one point', (of) => keeping(of, (x) => x !== 1800)],
  ['without two points', (of) => keeping(of, (x) => x !== 1800 && x !== 1860)],
];

const codes = (measured: Curve, over: Parameters<typeof goodResult>[1] = {}) => {
  const results = [resultOn(curve('paracetamol', 1)), resultOn(measured, over, 2)];
  return findingsOf(examineParts(goodParts(results), site)).flatMap(({ code, pointer }) =>
    code.startsWith('noise-') ? [`${code} ${pointer}`] : [],
  );
};
const BOTH = ['noise-duplicate /results/0/spectrum', 'noise-duplicate /results/1/spectrum'];

describe('a copy of a measurement', () => {
  it.each(COPIES)('is found %s, rescaled or not', (_, copyOf) => {
    const copy = copyOf(curve('paracetamol', 1));
    expect(codes(copy)).toEqual(BOTH);
    expect(codes(rescaled(copy))).toEqual(BOTH);
    expect(codes(rescaled(copyOf(curve('paracetamol', 2))))).toEqual([]);
  });

  it.each([
    ['another version of the method', { id: 'ID-M-1', version: '2' }],
    ['another method', { id: 'ID-M-2', version: '1' }],
  ])('is found under %s', (_, method) => {
    const own = curve('paracetamol', 1);
    for (const copy of [own, thinned(own, 2), resampled(own, 1.5, 0.7)]) {
      expect(codes(rescaled(copy), { method })).toEqual(BOTH);
    }
    expect(codes(curve('paracetamol', 2), { method })).toEqual([]);
  });

  it('is found where the regions of two methods overlap', () => {
    const overlapping = { ...another, noise: { from: dec('1800'), to: dec('1980') } };
    const some = siteWith({ methods: [OWN, overlapping] });
    const copy = rescaled(thinned(curve('paracetamol', 1), 2));
    const spectrum = encodeSpectrum(copy.axis, copy.intensity, 'float64');
    const results = [
      resultOn(curve('paracetamol', 1)),
      goodResult(2, { spectrum, method: { id: 'ID-M-2', version: '1' } }),
    ];
    const found = findingsOf(examineParts(goodParts(results), some)).map(({ code }) => code);
    expect(found.filter((code) => code.startsWith('noise-'))).toHaveLength(2);
  });

  it('is none of the same container', () => {
    const copy = rescaled(thinned(curve('paracetamol', 1), 2));
    const { container } = resultOn(curve('paracetamol', 1));
    expect(codes(copy, { container })).toEqual([]);
  });
});

describe('measurements of one substance', () => {
  const region = { from: dec('1750'), to: dec('1950') };
  const traceOf = ({ axis, intensity }: Curve) => {
    const pattern = noisePattern(axis, intensity, region, 'any');
    const { curve: trace } = pattern === null ? { curve: null } : tracePattern(pattern);
    if (trace === null) throw new Error('expected noise');
    return trace;
  };

  /** Independent noise on one band and background; what the instrument makes of it may smooth it. */
  function measured(seed: number, smooth: number): Curve {
    const random = seededRandom(seed);
    const noise = Float64Array.from({ length: 220 }, () => gaussian(random));
    const axis = Float64Array.from({ length: 200 }, (_, i) => 1650 + 2 * i);
    return {
      axis,
      intensity: axis.map((x, i) => {
        const near = noise.subarray(i, i + smooth);
        const band = 5000 / (1 + ((x - 1660) / 8) ** 2);
        return 3000 + band + 20 * near.reduce((sum, y) => sum + y / smooth, 0);
      }),
    };
  }

  // The rule lets chance do so once in 10^9 comparisons: 60,000 pairs would show a bound that is a ten-thousandth as good.
  // At a limit of 0, so that nothing but that bound keeps them apart.
  it.each([1, 3])(
    'are never alike by chance, whatever their points are (smoothed over %d)',
    (smooth) => {
      const points: ((of: Curve) => Curve)[] = [
        (of) => of,
        ...COPIES.map(([, copyOf]) => copyOf),
        (of) => resampled(of, 0.7, 0.1),
      ];
      const traces = Array.from({ length: 250 }, (_, i) =>
        traceOf((points[i % points.length] as (of: Curve) => Curve)(measured(i + 1, smooth))),
      );
      const alike = traces.flatMap((a, i) =>
        traces.slice(0, i).filter((b) => curveCorrelation(a, b, 0) !== null),
      );
      expect(alike).toEqual([]);
      const own = measured(1, smooth);
      expect(curveCorrelation(traceOf(own), traceOf(thinned(own, 2)), 0.9)).toBeGreaterThan(0.999);
    },
  );

  it('are not alike by a few counts that coincide in flat regions', () => {
    const random = seededRandom(11);
    const flats = (step: number) =>
      Array.from({ length: 150 }, () => {
        const axis = Float64Array.from({ length: 400 / step }, (_, i) => 1650 + step * i);
        const intensity = axis.map(() => (random() < 0.01 ? 1 : 0));
        const pattern = noisePattern(axis, intensity, region, 'any');
        return pattern === null ? null : tracePattern(pattern).curve;
      }).filter((trace) => trace !== null);
    const [some, others] = [flats(2), flats(1)];
    expect(some.length * others.length).toBeGreaterThan(5_000);
    const alike = some.flatMap((a) => others.filter((b) => curveCorrelation(a, b, 0.9) !== null));
    expect(alike).toEqual([]);
  });

  it('are not alike by a spike that both have', () => {
    const spiked = (seed: number): Curve => {
      const { axis, intensity } = measured(seed, 1);
      return { axis, intensity: intensity.map((y, i) => (axis[i] === 1834 ? y + 4000 : y)) };
    };
    const [one, other] = [spiked(1), spiked(2)];
    expect(curveCorrelation(traceOf(one), traceOf(thinned(other, 2)), 0.5)).toBeNull();
    expect(curveCorrelation(traceOf(one), traceOf(thinned(one, 2)), 0.9)).toBeGreaterThan(0.99);
  });
});

// What is not found, as docs/signal.md says: an axis that was moved besides, or noise that was added.
it('does not find a thinned copy whose axis was moved by half a step of its own', () => {
  const { axis, intensity } = thinned(
    changed((y) => 1.07 * y),
    2,
  );
  expect(codes({ axis: axis.map((x) => x + 1), intensity })).toEqual([]);
});
