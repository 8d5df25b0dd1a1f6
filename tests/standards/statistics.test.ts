import { describe, expect, it } from 'vitest';
import { noiseOf } from '../../src/checks/residual-test.js';
import { productAt, squaredCorrelation } from '../../src/checks/spectral-score.js';
import { lengthOf, meanOf } from '../../src/checks/treat-curve.js';
import { gaussian, seededRandom } from '../../src/simulation/seeded-random.js';

/**
 * NIST Statistical Reference Datasets (StRD): certified mean, standard deviation, lag-1 autocorrelation and R². Data
 * and certified values from memory; that the two fit together to twelve digits shows that both are right.
 */
const alternating = (first: number, low: number, high: number) =>
  Float64Array.from({ length: 1001 }, (_, i) => (i === 0 ? first : i % 2 === 1 ? low : high));

const SPEED_OF_LIGHT =
  '850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960 ' +
  '960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800 ' +
  '880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840 ' +
  '890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780 ' +
  '890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870';

describe('the statistics, against the certified values of NIST StRD', () => {
  it.each<[string, Float64Array, number, number, number, number]>([
    // Name, data, mean, standard deviation, lag-1 autocorrelation, digits that a double can hold of them.
    ['NumAcc1', Float64Array.of(10000001, 10000003, 10000002), 10000002, 1, -0.5, 12],
    ['NumAcc2', alternating(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 12],
    ['NumAcc3', alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 8],
    ['NumAcc4', alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, 7],
    [
      'Michelso',
      Float64Array.from(SPEED_OF_LIGHT.split(' '), (v) => 299 + Number(v) / 1000),
      299.8524,
      0.0790105478190518,
      0.535199668621283,
      10,
    ],
  ])('%s', (_name, data, mean, deviation, lag1, digits) => {
    const own = meanOf(data);
    const deviations = data.map((value) => value - own);
    const length = lengthOf(deviations);
    const isNear = (found: number, certified: number) =>
      expect(Math.abs(found - certified) / Math.abs(certified)).toBeLessThan(10 ** -digits);
    isNear(own, mean);
    isNear(length / Math.sqrt(data.length - 1), deviation);
    // A curve moved by one point against itself: what a shift allowance does.
    isNear(productAt(deviations, 1, deviations.subarray(0, -1)) / length ** 2, lag1);
  });

  it('Norris: R² of a straight line is the squared correlation', () => {
    const pairs =
      '0.1 0.2, 338.8 337.4, 118.1 118.2, 888.0 884.6, 9.2 10.1, 228.1 226.5, 668.5 666.3, 998.5 996.3, ' +
      '449.1 448.6, 778.9 777.0, 559.2 558.2, 0.3 0.4, 0.1 0.6, 778.1 775.5, 668.8 666.9, 339.3 338.0, ' +
      '448.9 447.5, 10.8 11.6, 557.7 556.0, 228.3 228.1, 998.0 995.8, 888.8 887.6, 119.6 120.2, 0.3 0.3, ' +
      '0.6 0.3, 557.6 556.8, 339.3 339.1, 888.0 887.2, 998.5 999.0, 778.9 779.0, 10.2 11.1, 117.6 118.3, ' +
      '228.9 229.2, 668.4 669.1, 449.2 448.9, 0.2 0.5';
    const rows = pairs.split(', ').map((pair) => pair.split(' ').map(Number));
    const y = Float64Array.from(rows, ([value]) => value ?? Number.NaN);
    const x = Float64Array.from(rows, ([, value]) => value ?? Number.NaN);
    expect(rows).toHaveLength(36);
    expect(squaredCorrelation(x, y)).toBeCloseTo(0.999993745883712, 13);
  });
});

describe('the noise of a trace', () => {
  it('is the standard deviation of what was added to a smooth curve with bands', () => {
    const random = seededRandom(7);
    const axis = Float64Array.from({ length: 4000 }, (_, i) => 200 + i / 2);
    const trace = axis.map((x) => {
      const band = 5000 / (1 + ((x - 1001) / 6) ** 2) + 3000 / (1 + ((x - 1602) / 8) ** 2);
      return 2000 + x / 3 + band + 20 * gaussian(random);
    });
    const found = noiseOf(axis, trace, { from: 200, step: 0.5, count: 4000 });
    expect(Math.abs(found - 20)).toBeLessThan(1.5);
    expect(noiseOf(axis, axis, { from: 200, step: 0.5, count: 4000 })).toBe(0);
  });
});
