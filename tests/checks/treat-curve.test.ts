import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { subtractBaseline } from '../../src/checks/baseline.js';
import { interpolateLinear, interpolateSpline } from '../../src/checks/even-grid.js';
import { spectralScore } from '../../src/checks/spectral-score.js';
import { planOf, treatCurve } from '../../src/checks/treat-curve.js';
import type { BaselineSetting, Treatment } from '../../src/site/method-treatment.js';
import { PLAIN_TREATMENT } from '../../src/site/method-treatment.js';
import type { Method } from '../../src/site/site-folder.js';
import { dec, methodOf } from './fixture.js';

const floats = (values: readonly number[]) => Float64Array.from(values);

/** Solves A x = b by elimination with pivots: nothing of the band solver under test is in it. */
function solveDense(matrix: readonly (readonly number[])[], right: readonly number[]): number[] {
  const rows = matrix.map((row, i) => [...row, right[i] ?? 0]);
  const n = rows.length;
  for (let p = 0; p < n; p++) {
    let pivot = p;
    for (let r = p; r < n; r++)
      if (Math.abs(rows[r]?.[p] ?? 0) > Math.abs(rows[pivot]?.[p] ?? 0)) pivot = r;
    const top = rows[pivot] ?? [];
    rows[pivot] = rows[p] ?? [];
    rows[p] = top;
    for (let r = 0; r < n; r++) {
      if (r === p) continue;
      const share = (rows[r]?.[p] ?? 0) / (top[p] ?? 1);
      rows[r] = (rows[r] ?? []).map((value, c) => value - share * (top[c] ?? 0));
    }
  }
  return rows.map((row, i) => (row[n] ?? 0) / (row[i] ?? 1));
}

/** Asymmetric least squares as its definition reads, with whole matrices. */
function denseBaseline(y: readonly number[], s: number, above: number, rounds: number): number[] {
  const n = y.length;
  const penalty = Array.from({ length: n }, () => new Array<number>(n).fill(0));
  for (let k = 0; k < n - 2; k++) {
    const second = [1, -2, 1];
    for (const [i, a] of second.entries())
      for (const [j, b] of second.entries()) {
        const row = penalty[k + i] ?? [];
        row[k + j] = (row[k + j] ?? 0) + s * a * b;
      }
  }
  let z = y.map(() => 0);
  let w = y.map(() => 1);
  for (let round = 0; round < rounds; round++) {
    if (round > 0) w = y.map((value, i) => (value > (z[i] ?? 0) ? above : 1 - above));
    const matrix = penalty.map((row, i) => row.map((v, j) => (i === j ? v + (w[i] ?? 0) : v)));
    z = solveDense(
      matrix,
      y.map((value, i) => value * (w[i] ?? 0)),
    );
  }
  return y.map((value, i) => value - (z[i] ?? 0));
}

/** Clipped polynomial by the normal equations in powers. */
function denseClipped(y: readonly number[], order: number, rounds: number): number[] {
  const n = y.length;
  const powers = y.map((_, i) => Array.from({ length: order + 1 }, (_u, k) => (i / n) ** k));
  let clipped = [...y];
  let fit = clipped;
  for (let round = 0; round < rounds; round++) {
    const matrix = Array.from({ length: order + 1 }, (_, a) =>
      Array.from({ length: order + 1 }, (_u, b) =>
        powers.reduce((sum, p) => sum + (p[a] ?? 0) * (p[b] ?? 0), 0),
      ),
    );
    const right = Array.from({ length: order + 1 }, (_, a) =>
      powers.reduce((sum, p, i) => sum + (p[a] ?? 0) * (clipped[i] ?? 0), 0),
    );
    const coefficients = solveDense(matrix, right);
    fit = powers.map((p) => p.reduce((sum, v, k) => sum + v * (coefficients[k] ?? 0), 0));
    clipped = clipped.map((value, i) => Math.min(value, fit[i] ?? 0));
  }
  return y.map((value, i) => value - (fit[i] ?? 0));
}

/** Natural cubic spline by the dense system of its second derivatives. */
function denseSpline(x: readonly number[], y: readonly number[], at: number): number {
  const n = x.length;
  const h = (i: number) => (x[i + 1] ?? 0) - (x[i] ?? 0);
  const slope = (i: number) => ((y[i + 1] ?? 0) - (y[i] ?? 0)) / h(i);
  const matrix = Array.from({ length: n }, (_, i) =>
    Array.from({ length: n }, (_u, j) => {
      if (i === 0 || i === n - 1) return i === j ? 1 : 0;
      if (j === i - 1) return h(i - 1);
      if (j === i) return 2 * (h(i - 1) + h(i));
      return j === i + 1 ? h(i) : 0;
    }),
  );
  const right = x.map((_, i) => (i === 0 || i === n - 1 ? 0 : 6 * (slope(i) - slope(i - 1))));
  const m = solveDense(matrix, right);
  const k = Math.min(
    n - 2,
    Math.max(
      0,
      x.findIndex((value) => value >= at),
    ) - 1,
  );
  const i = Math.max(0, k);
  const t = at - (x[i] ?? 0);
  const b = slope(i) - (h(i) * (2 * (m[i] ?? 0) + (m[i + 1] ?? 0))) / 6;
  const c = (m[i] ?? 0) / 2;
  const d = ((m[i + 1] ?? 0) - (m[i] ?? 0)) / (6 * h(i));
  return (y[i] ?? 0) + b * t + c * t * t + d * t * t * t;
}

const intensities = fc.array(fc.integer({ min: -1000, max: 1000 }), {
  minLength: 20,
  maxLength: 40,
});

describe('a baseline', () => {
  it('by asymmetric least squares is that of the definition, with whole matrices', () => {
    const settings = fc.record({
      smoothness: fc.constantFrom('10', '1000', '100000'),
      asymmetry: fc.constantFrom('0.01', '0.1', '0.5'),
      iterations: fc.integer({ min: 1, max: 6 }),
    });
    fc.assert(
      fc.property(intensities, settings, (y, { smoothness, asymmetry, iterations }) => {
        const found = floats(y);
        const kind = 'asymmetric-least-squares' as const;
        subtractBaseline(found, {
          kind,
          smoothness: dec(smoothness),
          asymmetry: dec(asymmetry),
          iterations,
        });
        const expected = denseBaseline(y, Number(smoothness), Number(asymmetry), iterations);
        found.forEach((value, i) => {
          expect(Math.abs(value - (expected[i] ?? Number.NaN))).toBeLessThan(1e-4);
        });
      }),
      { numRuns: 40 },
    );
  });

  it('by a clipped polynomial is that of the definition, by normal equations', () => {
    const settings = fc.record({
      order: fc.integer({ min: 1, max: 4 }),
      iterations: fc.integer({ min: 1, max: 20 }),
    });
    fc.assert(
      fc.property(intensities, settings, (y, { order, iterations }) => {
        const found = floats(y);
        subtractBaseline(found, { kind: 'clipped-polynomial', order, iterations });
        const expected = denseClipped(y, order, iterations);
        found.forEach((value, i) => {
          expect(Math.abs(value - (expected[i] ?? Number.NaN))).toBeLessThan(1e-4);
        });
      }),
      { numRuns: 40 },
    );
  });

  const SETTINGS: readonly BaselineSetting[] = [
    {
      kind: 'asymmetric-least-squares',
      smoothness: dec('100000'),
      asymmetry: dec('0.01'),
      iterations: 10,
    },
    { kind: 'clipped-polynomial', order: 5, iterations: 50 },
  ];

  it.each(SETTINGS)('of a straight line is the line: nothing is left ($kind)', (setting) => {
    const line = Float64Array.from({ length: 1551 }, (_, i) => 0.2 + 0.0005 * i);
    subtractBaseline(line, setting);
    expect(Math.max(...line.map(Math.abs))).toBeLessThan(1e-12);
  });

  it.each(SETTINGS)('takes a broad hump off and leaves narrow bands ($kind)', (setting) => {
    const band = (i: number) => 1 / (1 + ((i - 700) / 6) ** 2);
    const hump = (i: number) => 3 * Math.exp(-(((i - 800) / 900) ** 2));
    const curve = Float64Array.from({ length: 1551 }, (_, i) => band(i) + hump(i));
    subtractBaseline(curve, setting);
    expect(curve[700]).toBeGreaterThan(0.9);
    expect(curve[700]).toBeLessThan(1.1);
    expect(Math.abs(curve[400] ?? 1)).toBeLessThan(0.1);
    expect(Math.abs(curve[1200] ?? 1)).toBeLessThan(0.1);
  });
});

describe('the even grid', () => {
  const steps = fc.array(fc.integer({ min: 1, max: 20 }), { minLength: 4, maxLength: 15 });

  it('by a natural spline is that of the dense system', () => {
    fc.assert(
      fc.property(steps, intensities, (widths, heights) => {
        const x = [0];
        for (const width of widths) x.push((x.at(-1) ?? 0) + width);
        const y = x.map((_, i) => heights[i % heights.length] ?? 0);
        const last = x.at(-1) ?? 0;
        const grid = { from: 0, step: last / 50, count: 51 };
        const found = interpolateSpline(floats(x), floats(y), grid);
        found.forEach((value, i) => {
          const expected = denseSpline(x, y, Math.min(last, i * grid.step));
          expect(Math.abs(value - expected)).toBeLessThan(1e-6 * (1 + Math.abs(expected)));
        });
      }),
      { numRuns: 60 },
    );
  });

  it('meets every measured point, straight or by a spline', () => {
    const axis = floats([0, 1, 3, 6, 7]);
    const values = floats([5, -2, 8, 1, 4]);
    const grid = { from: 0, step: 1, count: 8 };
    for (const interpolate of [interpolateLinear, interpolateSpline]) {
      const found = interpolate(axis, values, grid);
      axis.forEach((x, i) => {
        expect(found[x]).toBeCloseTo(values[i] ?? Number.NaN, 12);
      });
    }
  });
});

const base = methodOf('ID-M-1');
let serial = 0;
function methodWith(treatment: Partial<Treatment>, over: Partial<Method> = {}): Method {
  serial += 1;
  return {
    ...base,
    id: `ID-${serial}`,
    treatment: { ...PLAIN_TREATMENT, ...treatment },
    ...over,
  };
}
const scoreOf = (method: Method, axis: Float64Array, intensity: Float64Array) => {
  const found = spectralScore(method, axis, intensity);
  return found.kind === 'scored' ? found : null;
};

const ALSS: BaselineSetting = {
  kind: 'asymmetric-least-squares',
  smoothness: dec('10000'),
  asymmetry: dec('0.01'),
  iterations: 8,
};
const treatments = fc.record({
  interpolation: fc.constantFrom('linear' as const, 'spline' as const),
  baseline: fc.constantFrom(null, ALSS, {
    kind: 'clipped-polynomial' as const,
    order: 4,
    iterations: 10,
  }),
  normalisation: fc.constantFrom(
    'none' as const,
    'vector' as const,
    'area' as const,
    'max' as const,
    'snv' as const,
  ),
  shiftAllowance: fc.constantFrom(dec('0'), dec('3')),
});
const algorithms = fc.constantFrom(
  'correlation' as const,
  'squared-correlation' as const,
  'cosine' as const,
  'squared-cosine' as const,
);
const derivatives = fc.constantFrom(
  null,
  { points: 9, polynomialOrder: 2, order: 0 },
  { points: 15, polynomialOrder: 2, order: 1 },
);
const curves = fc
  .array(
    fc.record({
      at: fc.integer({ min: 300, max: 1700 }),
      height: fc.integer({ min: 100, max: 9000 }),
      width: fc.integer({ min: 4, max: 30 }),
    }),
    { minLength: 1, maxLength: 8 },
  )
  .map((bands) => {
    const axis = Float64Array.from({ length: 451 }, (_, i) => 200 + 4 * i);
    const intensity = axis.map((x) =>
      bands.reduce((sum, b) => sum + b.height / (1 + ((x - b.at) / b.width) ** 2), 10),
    );
    return { axis, intensity, sha256: 'x' as never };
  });
const declared = { gridStep: dec('2'), range: { from: dec('250'), to: dec('1800') } };

describe('a score', () => {
  it('is 1 for the reference itself, by every treatment and kind of score', () => {
    fc.assert(
      fc.property(
        treatments,
        algorithms,
        derivatives,
        curves,
        (t, algorithm, derivative, curve) => {
          const method = methodWith(t, { ...declared, algorithm, derivative, reference: curve });
          const found = scoreOf(method, curve.axis, curve.intensity);
          if (found !== null) expect(found.score).toBeCloseTo(1, 9);
        },
      ),
      { numRuns: 60 },
    );
  });

  it('is the same for the spectrum at another scale; a correlation also raised by an offset', () => {
    const scales = fc.constantFrom(1e-200, 1e-6, 0.3, 17, 1e6, 1e200);
    fc.assert(
      fc.property(
        treatments,
        algorithms,
        derivatives,
        fc.tuple(curves, curves),
        scales,
        (t, algorithm, derivative, [a, b], scale) => {
          const method = methodWith(t, { ...declared, algorithm, derivative, reference: a });
          const plain = scoreOf(method, b.axis, b.intensity);
          const scaled = scoreOf(
            method,
            b.axis,
            b.intensity.map((y) => y * scale),
          );
          if (plain === null || scaled === null) return expect(scaled).toBe(plain);
          expect(scaled.score).toBeCloseTo(plain.score, 7);
          const isOffsetBlind = algorithm.endsWith('correlation') || t.normalisation === 'snv';
          if (!isOffsetBlind) return;
          const raised = scoreOf(
            method,
            b.axis,
            b.intensity.map((y) => y + 50_000),
          );
          expect(raised?.score).toBeCloseTo(plain.score, 5);
        },
      ),
      { numRuns: 80 },
    );
  });

  it('is the same with reference and spectrum changed over, without a shift', () => {
    fc.assert(
      fc.property(treatments, algorithms, derivatives, curves, curves, (t, kind, slope, a, b) => {
        const treatment = { ...t, shiftAllowance: dec('0') };
        const over = { ...declared, algorithm: kind, derivative: slope };
        const ab = scoreOf(methodWith(treatment, { ...over, reference: a }), b.axis, b.intensity);
        const ba = scoreOf(methodWith(treatment, { ...over, reference: b }), a.axis, a.intensity);
        if (ab !== null && ba !== null) expect(ab.score).toBeCloseTo(ba.score, 9);
      }),
      { numRuns: 60 },
    );
  });

  it('of normalised curves is that of the curves normalised by their definition', () => {
    // The score needs no normalised curve, since a scale is nothing to it: here it is made all the same.
    const normalise = {
      none: (v: Float64Array) => v,
      vector: (v: Float64Array) => {
        const length = Math.sqrt(v.reduce((sum, y) => sum + y * y, 0));
        return v.map((y) => y / length);
      },
      area: (v: Float64Array) => {
        const area = v.reduce((sum, y) => sum + Math.abs(y), 0);
        return v.map((y) => y / area);
      },
      max: (v: Float64Array) => {
        const max = v.reduce((most, y) => Math.max(most, Math.abs(y)), 0);
        return v.map((y) => y / max);
      },
      snv: (v: Float64Array) => {
        const mean = v.reduce((sum, y) => sum + y, 0) / v.length;
        const sd = Math.sqrt(v.reduce((sum, y) => sum + (y - mean) ** 2, 0) / (v.length - 1));
        return v.map((y) => (y - mean) / sd);
      },
    };
    const cosine = (a: Float64Array, b: Float64Array) =>
      a.reduce((sum, y, i) => sum + y * (b[i] ?? 0), 0) /
      Math.sqrt(a.reduce((s, y) => s + y * y, 0) * b.reduce((s, y) => s + y * y, 0));
    fc.assert(
      fc.property(treatments, derivatives, curves, curves, (t, derivative, a, b) => {
        const treatment = { ...t, shiftAllowance: dec('0') };
        const over = { ...declared, derivative, algorithm: 'cosine' as const };
        const method = methodWith(treatment, { ...over, reference: a });
        const raw = methodWith({ ...treatment, normalisation: 'none' }, { ...over, reference: a });
        const plan = planOf(raw);
        if (typeof plan === 'string') throw new Error(plan);
        const [x, y] = [a, b].map((curve) => {
          const treated = treatCurve(plan, curve.axis, curve.intensity, 'it');
          return treated.ok ? normalise[t.normalisation](treated.curve.values) : floats([]);
        });
        const found = scoreOf(method, b.axis, b.intensity);
        if (found === null || x === undefined || y === undefined) return;
        expect(found.score).toBeCloseTo(cosine(x, y), 9);
      }),
      { numRuns: 60 },
    );
  });

  it('takes the best shift within the allowance, by whole grid steps, and says which', () => {
    const band = (x: number) => 1000 / (1 + ((x - 1001) / 6) ** 2);
    const axis = Float64Array.from({ length: 1801 }, (_, i) => 200 + i);
    const reference = { axis, intensity: axis.map(band), sha256: 'x' as never };
    const range = { from: dec('400'), to: dec('1800') };
    const moved = (by: number) => axis.map((x) => band(x - by));
    const narrow = methodWith({}, { reference, range });
    const wide = methodWith({ shiftAllowance: dec('3') }, { reference, range });
    for (const by of [-3, -1, 0, 2, 3]) {
      expect(scoreOf(wide, axis, moved(by))).toMatchObject({ shift: by });
      expect(scoreOf(wide, axis, moved(by))?.score).toBeCloseTo(1, 6);
    }
    expect(scoreOf(narrow, axis, moved(3))?.score).toBeLessThan(0.8);
    expect(scoreOf(wide, axis, moved(5))?.score).toBeLessThan(0.9);
  });

  it('moves a spectrum no further than its axis reaches, and never extrapolates', () => {
    const axis = Float64Array.from({ length: 1401 }, (_, i) => 400 + i);
    const band = (x: number) => 1000 / (1 + ((x - 1001) / 6) ** 2);
    const reference = { axis, intensity: axis.map(band), sha256: 'x' as never };
    const range = { from: dec('400'), to: dec('1800') };
    const wide = methodWith({ shiftAllowance: dec('3') }, { reference, range });
    expect(
      scoreOf(
        wide,
        axis,
        axis.map((x) => band(x - 3)),
      ),
    ).toMatchObject({ shift: 0 });
    const onlyRight = Float64Array.from({ length: 1403 }, (_, i) => 400 + i);
    expect(
      scoreOf(
        wide,
        onlyRight,
        onlyRight.map((x) => band(x - 3)),
      ),
    ).toMatchObject({ shift: 2 });
  });

  it('is none for a constant curve and a straight line behind a baseline', () => {
    const axis = Float64Array.from({ length: 901 }, (_, i) => 200 + 2 * i);
    for (const value of [0, 5e-324, 1e-310, 0.1, 7, 1e300]) {
      const flat = axis.map(() => value);
      expect(scoreOf(methodWith({}), axis, flat)).toBeNull();
      expect(scoreOf(methodWith({ baseline: ALSS }), axis, flat)).toBeNull();
    }
    const line = axis.map((x) => 3 * x + 1000);
    expect(scoreOf(methodWith({ baseline: ALSS }), axis, line)).toBeNull();
  });
});
