import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { gsd } from 'ml-gsd';
import { sgg } from 'ml-savitzky-golay-generalized';
import { describe, expect, it } from 'vitest';
import { fitPeak } from '../../src/checks/peak-fit.js';
import { savitzkyGolay } from '../../src/checks/savitzky-golay.js';
import { readSpectrumTable } from '../../src/formats/spectrum-table.js';
import { describeWithSpectra } from '../support/shared.js';

/** Open libraries that share nothing with the code under test: ml-savitzky-golay-generalized and ml-gsd (MIT). */

describe('Savitzky-Golay against ml-savitzky-golay-generalized', () => {
  const setting = fc
    .record({
      half: fc.integer({ min: 1, max: 12 }),
      polynomialOrder: fc.integer({ min: 1, max: 4 }),
      order: fc.integer({ min: 0, max: 2 }),
    })
    .filter((s) => 2 * s.half + 1 >= 5 && 2 * s.half > s.polynomialOrder)
    .filter((s) => s.order <= s.polynomialOrder);

  it('gives the same curve for every window, order, derivative and spacing, at the ends too', () => {
    const values = fc.array(fc.double({ min: -1e5, max: 1e5, noNaN: true }), {
      minLength: 25,
      maxLength: 80,
    });
    fc.assert(
      fc.property(setting, values, fc.constantFrom(0.5, 1, 2), (s, y, spacing) => {
        const { half, polynomialOrder, order } = s;
        const points = 2 * half + 1;
        const found = savitzkyGolay(
          Float64Array.from(y),
          { points, polynomialOrder, order },
          spacing,
        );
        const expected = sgg(y, spacing, {
          windowSize: points,
          derivative: order,
          polynomial: polynomialOrder,
        });
        const scale = Math.max(1, ...y.map(Math.abs)) / spacing ** order;
        for (let i = 0; i < y.length; i++) {
          const distance = Math.abs((found[i] ?? 0) - (expected[i] ?? Number.NaN));
          expect(distance / scale, `point ${i} of ${y.length}`).toBeLessThan(1e-8);
        }
      }),
    );
  });
});

/** Bands that stand alone, cm-1. */
const ALONE = [
  ['polystyrene__S4_785_z20.csv', [620.9, 1001.4, 1155.3]],
  ['polystyrene__S3_785a.csv', [620.9, 1001.4, 1155.3]],
  ['calcite__S4_785_z50.csv', [1085]],
  ['cyclohexane__S1a.csv', [801.3, 1028.3, 1266.4]],
  ['toluene__S1a.csv', [521.7, 786.5, 1003.6]],
] as const;
/** Between a parabola of the smoothed second derivative and a Lorentzian over a line, cm-1. */
const APART = 0.5;

describeWithSpectra('fitted centres against ml-gsd', (folder) => {
  it.each(ALONE)('agree on the bands of %s', (file, bands) => {
    const read = readSpectrumTable(readFileSync(join(folder, file), 'utf8'), 5000);
    if (!read.ok) throw new Error(`${file}: ${read.fault.message}`);
    const x = Float64Array.from(read.table.axis);
    const y = Float64Array.from(read.table.intensity);
    const peaks = gsd({ x, y }, { realTopDetection: true, minMaxRatio: 0.01 });
    for (const band of bands) {
      const fit = fitPeak(x, y, { near: band, within: 8 });
      if (fit.kind !== 'peak') throw new Error(`${band}: ${fit.kind}, ${fit.reason}`);
      const nearest = Math.min(...peaks.map((peak) => Math.abs(peak.x - fit.centre)));
      expect(nearest, `${band} cm-1 fitted at ${fit.centre}`).toBeLessThan(APART);
    }
  });
});
