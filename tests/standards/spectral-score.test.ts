import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { xCorrelation } from 'ml-spectra-processing';
import { describe, expect, it } from 'vitest';
import { derivativeFault, savitzkyGolay } from '../../src/checks/savitzky-golay.js';
import { spectralScore, squaredCorrelation } from '../../src/checks/spectral-score.js';
import type { Decimal } from '../../src/formats/decimal.js';
import { readSpectrumTable, type SpectrumTable } from '../../src/formats/spectrum-table.js';
import type { DerivativeSetting, Method, ScoreAlgorithm } from '../../src/site/site-folder.js';
import { describeWithSpectra } from '../support/shared.js';

const floats = (values: readonly number[]) => Float64Array.from(values);
const dec = (text: string) => text as Decimal;

/** Worked by hand from the definition of Pearson's r; the published sign case is row 4. */
const WORKED: readonly (readonly [number[], number[], number, number])[] = [
  [[1, 2, 3, 4], [2, 4, 6, 8], 1, 1],
  [[1, 2, 3, 4], [1, 2, 3, 5], 0.982708, 0.965714],
  [[1, 2, 3, 4], [11, 12, 13, 14], 1, 1],
  [[1, 2, 3, 4], [4, 3, 2, 1], -1, 1],
  [[0, 1, 4, 1, 0], [0, 1, 3, 2, 0], 0.910182, 0.828431],
  [[0, 0, 1, 0, 0], [0, 0, 0, 1, 0], -0.25, 0.0625],
];

describe('the squared correlation', () => {
  it.each(WORKED)('of %j and %j, r %d, is %d, and 0 where r is negative', (a, b, r, r2) => {
    expect(squaredCorrelation(floats(a), floats(b))).toBeCloseTo(r < 0 ? 0 : r2, 6);
    const turned = floats(b.map((value) => -value));
    expect(squaredCorrelation(floats(a), turned)).toBeCloseTo(r < 0 ? r2 : 0, 6);
  });

  it.each(WORKED)('of %j and %j is the same with 1e9 added to every point', (a, b, r, r2) => {
    const raised = (values: number[]) => floats(values.map((value) => value + 1e9));
    expect(squaredCorrelation(raised(a), raised(b))).toBeCloseTo(r < 0 ? 0 : r2, 6);
  });

  it('has no value for a constant curve: neither 0 nor 1', () => {
    const curve = floats([1, 2, 3]);
    for (const value of [0, 7, 0.1, 1e9 / 3]) {
      expect(squaredCorrelation(floats([value, value, value]), curve)).toBeNull();
      expect(squaredCorrelation(curve, floats([value, value, value]))).toBeNull();
    }
  });

  // The same six rows by every kind of score, worked by hand; a square of a negative value is 0. Row 5: 15² / (18 · 14).
  it.each<[ScoreAlgorithm, number[]]>([
    ['cosine', [1, 0.993999, 0.945611, 0.666667, 0.944911, 0]],
    ['squared-cosine', [1, 0.988034, 0.89418, 0.444444, 0.892857, 0]],
    ['correlation', [1, 0.982708, 1, -1, 0.910182, -0.25]],
    ['squared-correlation', [1, 0.965714, 1, 0, 0.828431, 0]],
  ])('is one of the scores: the worked table by %s', (algorithm, expected) => {
    for (const [row, [a, b]] of WORKED.entries()) {
      const axis = floats(a.map((_, i) => i + 1));
      const reference = { axis, intensity: floats(a) };
      const range = { from: dec('1'), to: dec(String(a.length)) };
      const method = methodOn(reference, { algorithm, range, derivative: null });
      const found = scoreOf(method, { axis, intensity: floats(b) });
      expect(found, `row ${row + 1}`).toBeCloseTo(expected[row] ?? Number.NaN, 6);
    }
  });

  it('agrees with an independent implementation, ml-spectra-processing', () => {
    const values = fc.array(fc.integer({ min: -1000, max: 1000 }), { minLength: 5, maxLength: 40 });
    fc.assert(
      fc.property(values, values, (left, right) => {
        const n = Math.min(left.length, right.length);
        const a = floats(left.slice(0, n));
        const b = floats(right.slice(0, n));
        const ours = squaredCorrelation(a, b);
        const r = xCorrelation(a, b);
        if (ours === null) expect(Number.isFinite(r)).toBe(false);
        else expect(ours).toBeCloseTo(r < 0 ? 0 : r * r, 9);
      }),
    );
  });
});

describe('Savitzky–Golay', () => {
  const smooth = (points: number): DerivativeSetting => ({ points, polynomialOrder: 2, order: 0 });
  const slope = (points: number, polynomialOrder: number): DerivativeSetting => ({
    points,
    polynomialOrder,
    order: 1,
  });
  /** The weights of a setting, as the response to one unit impulse at each place of a window. */
  const weightsOf = (setting: DerivativeSetting) =>
    Array.from({ length: setting.points }, (_, i) => {
      const impulse = new Float64Array(setting.points).fill(0);
      impulse[i] = 1;
      return savitzkyGolay(impulse, setting, 1)[(setting.points - 1) / 2] ?? Number.NaN;
    });

  // A. Savitzky, M. J. E. Golay, Analytical Chemistry 36, 1627 (1964), tables recomputed exactly.
  it.each([
    [smooth(5), [-3, 12, 17, 12, -3], 35],
    [smooth(7), [-2, 3, 6, 7, 6, 3, -2], 21],
    [smooth(9), [-21, 14, 39, 54, 59, 54, 39, 14, -21], 231],
    [slope(5, 2), [-2, -1, 0, 1, 2], 10],
    [slope(7, 2), [-3, -2, -1, 0, 1, 2, 3], 28],
    [slope(9, 2), [-4, -3, -2, -1, 0, 1, 2, 3, 4], 60],
    [slope(5, 3), [1, -8, 0, 8, -1], 12],
    [slope(7, 3), [22, -67, -58, 0, 58, 67, -22], 252],
    [slope(9, 3), [86, -142, -193, -126, 0, 126, 193, 142, -86], 1188],
    // Quadratic and cubic smoothing are the same, and so are cubic and quartic slopes.
    [{ points: 5, polynomialOrder: 3, order: 0 }, [-3, 12, 17, 12, -3], 35],
    [slope(7, 4), [22, -67, -58, 0, 58, 67, -22], 252],
  ])('%j has the weights of the 1964 tables', (setting, table, norm) => {
    weightsOf(setting).forEach((weight, i) => {
      expect(weight * norm).toBeCloseTo(table[i] ?? Number.NaN, 9);
    });
  });

  it('fits the ends: an impulse of 35 becomes -5 6 12 17 12 6 -5', () => {
    const impulse = floats([0, 0, 0, 35, 0, 0, 0]);
    const expected = [-5, 6, 12, 17, 12, 6, -5];
    savitzkyGolay(impulse, smooth(5), 1).forEach((value, i) => {
      expect(value).toBeCloseTo(expected[i] ?? Number.NaN, 9);
    });
  });

  it('leaves squares as they are and gives their slope, ends included', () => {
    const squares = floats([1, 4, 9, 16, 25, 36, 49]);
    savitzkyGolay(squares, smooth(5), 1).forEach((value, i) => {
      expect(value).toBeCloseTo(squares[i] ?? Number.NaN, 9);
    });
    savitzkyGolay(squares, slope(5, 2), 1).forEach((value, i) => {
      expect(value).toBeCloseTo(2 * (i + 1), 9);
    });
  });

  it('gives every polynomial up to its order exactly, at any spacing and derivative', () => {
    const settings = fc.record({
      points: fc.constantFrom(5, 7, 9, 15, 21),
      polynomialOrder: fc.integer({ min: 1, max: 4 }),
      order: fc.integer({ min: 0, max: 2 }),
    });
    const coefficient = fc.integer({ min: -3, max: 3 });
    fc.assert(
      fc.property(
        settings,
        fc.tuple(coefficient, coefficient, coefficient, coefficient, coefficient),
        fc.constantFrom(0.5, 1, 2),
        (setting, coefficients, spacing) => {
          if (derivativeFault(setting) !== null) return;
          const c = coefficients.slice(0, setting.polynomialOrder + 1);
          const value = (x: number, order: number) =>
            c.reduce((sum, a, k) => {
              let factor = a;
              for (let j = 0; j < order; j++) factor *= k - j;
              return k < order ? sum : sum + factor * x ** (k - order);
            }, 0);
          const xs = Array.from({ length: 25 }, (_, i) => (i - 12) * spacing);
          const got = savitzkyGolay(floats(xs.map((x) => value(x, 0))), setting, spacing);
          const scale = Math.max(1, ...xs.map((x) => Math.abs(value(x, 0))));
          xs.forEach((x, i) => {
            const error = Math.abs((got[i] ?? Number.NaN) - value(x, setting.order));
            expect(error / scale).toBeLessThan(1e-9);
          });
        },
      ),
    );
  });

  it.each([
    [{ points: 4, polynomialOrder: 2, order: 1 }, 'odd number'],
    [{ points: 5, polynomialOrder: 5, order: 1 }, 'below the 5 points'],
    [{ points: 5, polynomialOrder: 2, order: 3 }, 'derivative order of 0 to 2'],
  ])('%j is told why it cannot be', (setting, words) => {
    expect(derivativeFault(setting)).toContain(words);
  });
});

function methodOn(reference: SpectrumTable, over: Partial<Method> = {}): Method {
  return {
    id: 'ID',
    version: '1',
    title: 'ID',
    material: 'M',
    mode: 'verification',
    algorithm: 'squared-correlation',
    threshold: dec('0.90'),
    scoreTolerance: dec('0.02'),
    range: { from: dec('400'), to: dec('1800') },
    gridStep: dec('1'),
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    approvals: [],
    reference: { ...reference, sha256: '' as never },
    contentDigest: '' as never,
    ...over,
  };
}

const scoreOf = (method: Method, measured: SpectrumTable) => {
  const answer = spectralScore(method, measured.axis, measured.intensity);
  return answer.kind === 'scored' ? answer.score : answer.reason;
};

describe('the score of a method', () => {
  const axis = Float64Array.from({ length: 801 }, (_, i) => 300 + 2 * i);
  const band = (x: number, centre: number) => 1000 / (1 + ((x - centre) / 6) ** 2);
  const a = { axis, intensity: axis.map((x) => band(x, 1001.4) + band(x, 1602.3) / 2) };

  it('is 1 for the reference itself, scaled, raised, tilted a little less', () => {
    const method = methodOn(a);
    expect(scoreOf(method, a)).toBeCloseTo(1, 12);
    const scaled = { axis, intensity: a.intensity.map((y) => 3 * y + 1e6) };
    expect(scoreOf(method, scaled)).toBeCloseTo(1, 9);
    const tilted = { axis, intensity: a.intensity.map((y, i) => y + i / 10) };
    expect(scoreOf(method, tilted)).toBeGreaterThan(0.99);
  });

  it('is 0 for the reference upside down', () => {
    expect(scoreOf(methodOn(a), { axis, intensity: a.intensity.map((y) => -y) })).toBe(0);
  });

  it('interpolates linearly and needs no even axis', () => {
    const plain = methodOn(a, {
      derivative: null,
      gridStep: dec('2'),
      range: { from: dec('400'), to: dec('1800') },
    });
    // Leaving out points on straight stretches changes nothing in a linear interpolation.
    const line = { axis: floats([300, 1000, 1900]), intensity: floats([0, 700, 1600]) };
    const dense = { axis, intensity: axis.map((x) => x - 300) };
    expect(scoreOf(plain, line)).toBeCloseTo(scoreOf(plain, dense) as number, 12);
  });

  it('covers its range to the last point and never beyond the measured axis', () => {
    const edge = methodOn(a, { range: { from: dec('300'), to: dec('1900') } });
    expect(scoreOf(edge, a)).toBeCloseTo(1, 12);
    const beyond = methodOn(a, { range: { from: dec('299'), to: dec('1900') } });
    expect(scoreOf(beyond, a)).toBe('the reference does not cover the range of the method');
    const short = { axis: axis.subarray(0, 700), intensity: a.intensity.subarray(0, 700) };
    expect(scoreOf(methodOn(a), short)).toBe('the spectrum does not cover the range of the method');
  });

  it('is none for a constant curve, a method without reference, or a grid of no points', () => {
    const flat = { axis, intensity: axis.map(() => 0.1) };
    expect(scoreOf(methodOn(a), flat)).toContain('constant');
    expect(scoreOf(methodOn(a, { reference: null }), a)).toContain('no reference');
    expect(scoreOf(methodOn(a, { gridStep: dec('0') }), a)).toContain('no grid');
    expect(scoreOf(methodOn(a, { gridStep: dec('0.0001') }), a)).toContain('no grid');
    expect(scoreOf(methodOn(a, { gridStep: dec('200') }), a)).toContain('shorter than');
  });
});

/**
 * Measured spectra of open data sets; the figures are those of the README beside them, which were computed by
 * another program with the same treatment: 1 cm-1 grid over 400 to 1800 cm-1 or the common part of it,
 * first derivative of 15 points and second order, squared correlation, 0 when negative.
 */
describeWithSpectra('measured Raman spectra of open data sets', (folder) => {
  const load = (file: string): SpectrumTable => {
    const read = readSpectrumTable(readFileSync(join(folder, file), 'utf8'), 20_000);
    if (!read.ok) throw new Error(`${file}: ${read.fault.message}`);
    return read.table;
  };
  const hqi = (one: string, other: string): number => {
    const [reference, measured] = [load(one), load(other)];
    const last = Math.min(1800, reference.axis.at(-1) ?? 0, measured.axis.at(-1) ?? 0);
    const range = { from: dec('400'), to: dec(String(Math.floor(last))) };
    const score = scoreOf(methodOn(reference, { range }), measured);
    if (typeof score === 'string') throw new Error(score);
    return score;
  };

  it('score 0.80 to 1.00, median 0.94, for one substance on one instrument', () => {
    const wells = ['A3', 'A4', 'A6', 'A8'].map((well) => `paracetamol__S6_30_${well}.csv`);
    const pairs: [string, string][] = wells.flatMap((one, i) =>
      wells.slice(i + 1).map((other): [string, string] => [one, other]),
    );
    pairs.push(['calcite__S4_785_z20.csv', 'calcite__S4_785_z50.csv']);
    pairs.push(['polystyrene__S4_785_z20.csv', 'polystyrene__S4_785_z50.csv']);
    const scores = pairs.map(([one, other]) => hqi(one, other)).sort((x, y) => x - y);
    expect(scores).toHaveLength(8);
    expect(scores[0]).toBeCloseTo(0.8, 2);
    expect(scores.at(-1)).toBeGreaterThan(0.995);
    expect(((scores[3] ?? 0) + (scores[4] ?? 0)) / 2).toBeCloseTo(0.94, 2);
  });

  it.each([
    ['acetonitrile__S1b.csv', 'mixture-1__S1b.csv', 0.24],
    ['ethanol__S1b.csv', 'mixture-1__S1b.csv', 0.34],
    ['methanol__S1b.csv', 'mixture-1__S1b.csv', 0.39],
    ['sodium-carbonate__S1b.csv', 'mixture-5__S1b.csv', 0.51],
    ['1-heptanol__S1a.csv', '1-butanol__S1a.csv', 0.24],
    ['toluene__S1a.csv', 'polystyrene__S3_785a.csv', 0.29],
    ['toluene__S1a.csv', 'polystyrene__S4_785_op1.txt', 0.51],
    ['sodium-carbonate__S1b.csv', 'calcite__S4_785_z20.csv', 0],
    ['acetonitrile__S2_785a.csv', 'acetonitrile__S2_785b.csv', 0.49],
  ])('%s against %s scores %d, far from any pass', (one, other, published) => {
    expect(Math.abs(hqi(one, other) - published)).toBeLessThanOrEqual(0.01);
  });
});
