import fc from 'fast-check';
import { xyRealMaxYPoint } from 'ml-spectra-processing';
import { describe, expect, test } from 'vitest';
import { findApexes } from '../../src/checks/peak-apex.js';
import { findPeaks, fitPeak, type PeakAnswer } from '../../src/checks/peak-fit.js';
import { fitLorentzian } from '../../src/checks/peak-lorentzian.js';
import { parabolaVertex } from '../../src/checks/peak-parabola.js';

interface Band {
  readonly centre: number;
  readonly height: number;
  readonly fwhm: number;
}

function lorentzian(x: number, { centre, height, fwhm }: Band): number {
  const d = (2 * (x - centre)) / fwhm;
  return height / (1 + d * d);
}

function evenAxis(from: number, step: number, count: number): Float64Array {
  return Float64Array.from({ length: count }, (_, i) => from + i * step);
}

function fitted(answer: PeakAnswer): Extract<PeakAnswer, { kind: 'peak' }> {
  if (answer.kind !== 'peak') throw new Error(`${answer.kind}: ${answer.reason}`);
  return answer;
}

describe('the vertex of the parabola through three points', () => {
  test('is the worked example 6, 10, 8 at spacing 2: offset 0.3333', () => {
    // Source: the formula offset = h (y-1 - y1) / (2 (y-1 - 2 y0 + y1)), worked by hand in spectra.md.
    const vertex = parabolaVertex([998, 1000, 1002], [6, 10, 8], 1);
    expect(vertex?.centre).toBeCloseTo(1000 + 1 / 3, 12);
    expect(vertex?.height).toBeCloseTo(10 + 1 / 12, 12);
  });

  test('is exact for a parabola at uneven spacing', () => {
    const curve = (x: number): number => 50 - 3 * (x - 1001.37) ** 2;
    const axis = [1000.1, 1001.2, 1003.9];
    const vertex = parabolaVertex(axis, axis.map(curve), 1);
    expect(vertex?.centre).toBeCloseTo(1001.37, 9);
    expect(vertex?.height).toBeCloseTo(50, 9);
  });

  test('agrees with the independent interpolation of ml-spectra-processing, which works on logarithms', () => {
    const x = evenAxis(1000, 2, 21);
    const y = x.map((at) => 5 + lorentzian(at, { centre: 1020.6, height: 90, fwhm: 14 }));
    const theirs = xyRealMaxYPoint({ x, y }, { target: 1020.6 });
    const ours = parabolaVertex(
      x,
      y.map((v) => 20 * Math.log10(v)),
      theirs.index,
    );
    expect(ours?.centre).toBeCloseTo(theirs.x, 9);
  });

  test.each([
    ['the middle is not the highest', [1, 2, 3]],
    ['the three lie on a line', [2, 2, 2]],
    ['one is no number', [1, Number.NaN, 1]],
  ])('is none when %s', (_why, values) => {
    expect(parabolaVertex([0, 1, 2], values, 1)).toBeNull();
  });
});

describe('local maxima', () => {
  test('stand out by their height over the higher saddle, as a search from each of them finds it', () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: 0, max: 9 }), { minLength: 3, maxLength: 40 }),
        (values) => {
          expect(findApexes(values, 0, values.length - 1)).toEqual(apexesBySearch(values));
        },
      ),
    );
  });
});

/** The definition, read literally: from each top outwards until something is higher. */
function apexesBySearch(values: readonly number[]): ReturnType<typeof findApexes> {
  const found: { index: number; width: number; prominence: number }[] = [];
  for (let start = 1; start < values.length; start++) {
    const top = values[start] as number;
    if (!((values[start - 1] as number) < top)) continue;
    let end = start;
    while (end + 1 < values.length && values[end + 1] === top) end += 1;
    if (end + 1 >= values.length || (values[end + 1] as number) > top) continue;
    const floor = (from: number, step: number): number => {
      let lowest = top;
      for (let i = from; i >= 0 && i < values.length; i += step) {
        if ((values[i] as number) > top) break;
        lowest = Math.min(lowest, values[i] as number);
      }
      return lowest;
    };
    found.push({
      index: start + Math.floor((end - start) / 2),
      width: end - start + 1,
      prominence: top - Math.max(floor(start, -1), floor(end, 1)),
    });
  }
  return found;
}

const bands = fc.record({
  centre: fc.double({ min: 995, max: 1008, noNaN: true }),
  height: fc.double({ min: 1e-3, max: 1e6, noNaN: true }),
  fwhm: fc.double({ min: 4, max: 30, noNaN: true }),
});

describe('fitting a band', () => {
  test('finds the centre of a Lorentzian within 0.1 cm-1 at 2 cm-1 sampling, on any sloping baseline', () => {
    fc.assert(
      fc.property(
        bands,
        fc.double({ min: -2, max: 2, noNaN: true }),
        fc.double({ min: -0.004, max: 0.004, noNaN: true }),
        fc.double({ min: 0, max: 2, noNaN: true }),
        (band, level, slope, phase) => {
          const axis = evenAxis(800 + phase, 2, 201);
          const values = axis.map(
            (x) => band.height * (level + slope * (x - 1000)) + lorentzian(x, band),
          );
          const fit = fitted(fitPeak(axis, values, { near: 1001.4, within: 12 }));
          expect(Math.abs(fit.centre - band.centre)).toBeLessThan(0.1);
          expect(fit.height / band.height).toBeCloseTo(1, 2);
          expect(fit.fwhm / band.fwhm).toBeCloseTo(1, 2);
          expect(fit.residual).toBeLessThan(1e-4);
        },
      ),
      { numRuns: 500 },
    );
  });

  test('finds it within 0.1 cm-1 on an axis of uneven spacing, as a grating gives it', () => {
    fc.assert(
      fc.property(bands, fc.double({ min: 0.5, max: 2, noNaN: true }), (band, step) => {
        const axis = evenAxis(0, step, 801).map((x) => 800 + x - x * x * 1e-4);
        const values = axis.map((x) => lorentzian(x, band));
        const fit = fitted(fitPeak(axis, values, { near: 1001.4, within: 12 }));
        expect(Math.abs(fit.centre - band.centre)).toBeLessThan(0.1);
      }),
    );
  });

  test('finds it within 0.1 cm-1 on average of many noisy traces at 2 cm-1 sampling', () => {
    // Noise of 1 % of the height; the scatter of one centre is about 0.03 cm-1, the mean shows a bias.
    const band = { centre: 1001.4, height: 1000, fwhm: 9 };
    let state = 42;
    const noise = (): number => {
      let sum = -6;
      for (let i = 0; i < 12; i++) {
        state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
        sum += state / 2 ** 32;
      }
      return sum;
    };
    const errors = Array.from({ length: 200 }, (_, run) => {
      const axis = evenAxis(900 + run / 100, 2, 101);
      const values = axis.map((x) => 500 + lorentzian(x, band) + 10 * noise());
      return fitted(fitPeak(axis, values, { near: 1001.4, within: 6 })).centre - band.centre;
    });
    const mean = errors.reduce((a, b) => a + b, 0) / errors.length;
    expect(Math.abs(mean)).toBeLessThan(0.02);
    expect(Math.max(...errors.map(Math.abs))).toBeLessThan(0.2);
  });

  test('is the lowest place: no other centre and width, with the best baseline for each, fits better', () => {
    const band = { centre: 1001.9, height: 80, fwhm: 11 };
    const axis = evenAxis(980, 2, 23);
    const values = axis.map((x, i) => 20 + 0.1 * x + lorentzian(x, band) + 3 * Math.sin(7 * i));
    const guess = { centre: 1001, height: 60, halfWidth: 4, baseline: 120 };
    const fit = fitLorentzian(axis, values, { first: 0, last: 22 }, guess);
    if (fit === null) throw new Error('no fit');
    const ours = fit.residual ** 2 * (23 - 5);
    let best = Number.POSITIVE_INFINITY;
    for (let centre = 995; centre <= 1009; centre += 0.1) {
      for (let fwhm = 3; fwhm <= 25; fwhm += 0.1) {
        best = Math.min(best, linearRemainder(axis, values, { centre, fwhm, height: 1 }));
      }
    }
    expect(ours).toBeLessThanOrEqual(best + 1e-9);
    expect(ours).toBeGreaterThan(best * 0.99);
  });

  test('takes the band that stands out, not the highest pixel of a slope', () => {
    const axis = evenAxis(950, 2, 61);
    const band = { centre: 1001.4, height: 60, fwhm: 8 };
    const values = axis.map((x) => 10 * (1100 - x) + lorentzian(x, { ...band, height: 600 }));
    const fit = fitted(fitPeak(axis, values, { near: 1001.4, within: 8 }));
    expect(Math.abs(fit.centre - band.centre)).toBeLessThan(0.1);
  });

  test('tells two bands apart that a valley parts, and keeps each in its place', () => {
    // Polystyrene 1583.1 and 1602.3 (ASTM E1840); widths and heights invented.
    const pair = [
      { centre: 1583.1, height: 400, fwhm: 8 },
      { centre: 1602.3, height: 900, fwhm: 10 },
    ];
    const axis = evenAxis(1500, 2, 101);
    const values = axis.map((x) => pair.reduce((sum, band) => sum + lorentzian(x, band), 0));
    for (const { centre } of pair) {
      const fit = fitted(fitPeak(axis, values, { near: centre, within: 8 }));
      expect(Math.abs(fit.centre - centre)).toBeLessThan(0.35);
    }
  });
});

/** Sum of squares that stays when height and straight line are the best for a given centre and width. */
function linearRemainder(axis: Float64Array, values: Float64Array, band: Band): number {
  const columns = [
    Array.from(axis, (x) => lorentzian(x, band)),
    Array.from(axis, () => 1),
    Array.from(axis, (x) => x - 1000),
  ];
  // Gram–Schmidt: what is left after taking each direction out is the remainder.
  const rest = Array.from(values);
  const basis: number[][] = [];
  for (const column of columns) {
    const own = [...column];
    for (const known of basis) subtract(own, known);
    const norm = Math.sqrt(own.reduce((sum, v) => sum + v * v, 0));
    basis.push(own.map((v) => v / norm));
  }
  for (const known of basis) subtract(rest, known);
  return rest.reduce((sum, v) => sum + v * v, 0);
}

function subtract(from: number[], direction: readonly number[]): void {
  const share = from.reduce((sum, v, i) => sum + v * (direction[i] as number), 0);
  for (let i = 0; i < from.length; i++)
    from[i] = (from[i] as number) - share * (direction[i] as number);
}

describe('what is no band', () => {
  const axis = evenAxis(900, 2, 101);
  const flat = axis.map(() => 100);
  const band = { centre: 1001.4, height: 500, fwhm: 9 };
  const trace = axis.map((x) => 100 + lorentzian(x, band));
  const near = { near: 1001.4, within: 6 };

  test.each([
    ['a flat trace', flat, near, 'no-peak'],
    ['a slope', axis.map((x) => x), near, 'no-peak'],
    ['a valley', trace.map((y) => -y), near, 'no-peak'],
    ['a band somewhere else', trace, { near: 1050, within: 6 }, 'no-peak'],
    ['a place beyond the axis', trace, { near: 1200, within: 6 }, 'edge'],
    ['a place at the end of the axis', trace, { near: 1099, within: 6 }, 'edge'],
    ['a top cut off by the converter', trace.map((y) => Math.min(y, 300)), near, 'saturated'],
    ['a spike of one pixel', flat.map((y, i) => (i === 51 ? 900 : y)), near, 'no-peak'],
    ['a value that is none', trace.map((y, i) => (i === 50 ? Number.NaN : y)), near, 'unreadable'],
    ['an infinite value', trace.map((y, i) => (i === 49 ? Infinity : y)), near, 'unreadable'],
    ['a distance of none', trace, { near: 1001.4, within: 0 }, 'unreadable'],
    ['a position that is none', trace, { near: Number.NaN, within: 6 }, 'unreadable'],
  ] as const)('%s is answered as such', (_what, values, options, kind) => {
    expect(fitPeak(axis, values, options).kind).toBe(kind);
  });

  test('an axis that does not ascend, holds one value twice or is too short is answered so', () => {
    const swapped = axis.map((x, i) => (i === 50 ? x + 2 : i === 51 ? x - 2 : x));
    const double = axis.map((x, i) => (i === 50 ? x - 2 : x));
    expect(fitPeak(swapped, trace, near).kind).toBe('unreadable');
    expect(fitPeak(double, trace, near).kind).toBe('unreadable');
    expect(fitPeak(axis.toReversed(), trace, near).kind).not.toBe('peak');
    expect(fitPeak([1], [1], near).kind).toBe('too-few-points');
    expect(fitPeak([], [], near).kind).toBe('too-few-points');
    expect(fitPeak([1, 2, 3], [1], near).kind).toBe('unreadable');
  });

  test('an axis of ten million points is not gone through', () => {
    const many = evenAxis(0, 0.0005, 10_000_000);
    const answer = fitPeak(many, many, near);
    expect(answer).toEqual({
      kind: 'unreadable',
      reason: '72001 points around one band, at most 8192',
    });
  });

  test('nothing makes it throw, and a centre is always near what was asked for', () => {
    const numbers = fc.oneof(
      fc.double(),
      fc.constantFrom(0, -0, 5e-324, -5e-324, 1e308, -1e308, Number.NaN, Infinity, -Infinity),
      fc.integer({ min: 0, max: 5 }),
    );
    fc.assert(
      fc.property(
        fc.array(fc.tuple(numbers, numbers), { maxLength: 40 }),
        fc.boolean(),
        numbers,
        numbers,
        (points, isEven, where, within) => {
          const x = points.map(([at], i) => (isEven ? i : at));
          const y = points.map(([, value]) => value);
          const answer = fitPeak(x, y, { near: where, within });
          if (answer.kind !== 'peak') {
            expect(answer.reason).not.toBe('');
            return;
          }
          expect(Object.values(answer).every((v) => v === 'peak' || Number.isFinite(v))).toBe(true);
          expect(Math.abs((x[answer.index] as number) - where)).toBeLessThanOrEqual(within);
          findPeaks(x, y, { prominenceMin: 0, countMax: 5 });
        },
      ),
      { numRuns: 2000 },
    );
  });
});

describe('finding every band of a trace', () => {
  test('lists what stands out in the order of the axis, and the most prominent of too many', () => {
    const all = [1001.4, 1031.8, 1155.3, 1450.5, 1602.3].map((centre, i) => ({
      centre,
      height: 100 * (i + 1),
      fwhm: 9,
    }));
    const axis = evenAxis(900, 2, 401);
    const values = axis.map((x) => all.reduce((sum, band) => sum + lorentzian(x, band), 0));
    const found = findPeaks(axis, values, { prominenceMin: 20, countMax: 100 });
    expect(found.map(({ fit }) => Math.round(fitted(fit).centre * 2) / 2)).toEqual([
      1001.5, 1032, 1155.5, 1450.5, 1602.5,
    ]);
    const two = findPeaks(axis, values, { prominenceMin: 20, countMax: 2 });
    expect(two.map(({ fit }) => Math.round(fitted(fit).centre))).toEqual([1450, 1602]);
    expect(findPeaks(axis, values, { prominenceMin: 1e6, countMax: 9 })).toEqual([]);
  });
});
