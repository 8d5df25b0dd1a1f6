import { describe, expect, it } from 'vitest';
import { fitPeak } from '../../src/checks/peak-fit.js';
import { PUBLISHED_SHIFTS, SUBSTANCES } from '../../src/simulation/published-shifts.js';
import { synthesiseSpectrum } from '../../src/simulation/synthesise-spectrum.js';

const request = { axisFrom: 50, axisTo: 3400, step: 2, noise: 0, baseline: 0, seed: 1 } as const;

function findPeak(axis: Float64Array, intensity: Float64Array, near: number): number | null {
  const fit = fitPeak(axis, intensity, { near, within: 6 });
  return fit.kind === 'peak' ? fit.centre : null;
}

describe('a synthesised spectrum', () => {
  // Source: positions published for ASTM E1840 (seven laboratories), the list in reference-shifts.ts.
  for (const material of SUBSTANCES) {
    it(`shows every published band of ${material} within 0.5 cm-1 at 2 cm-1 sampling`, () => {
      const { axis, intensity } = synthesiseSpectrum({ ...request, material });
      for (const shift of PUBLISHED_SHIFTS[material]) {
        const found = findPeak(axis, intensity, shift);
        expect(found, `${material} ${shift}`).not.toBeNull();
        expect(Math.abs((found as number) - shift), `${material} ${shift}`).toBeLessThan(0.5);
      }
    });

    it(`keeps the bands of ${material} within 0.5 cm-1 under the instruments' background and noise`, () => {
      const { axis, intensity } = synthesiseSpectrum({
        ...request,
        material,
        noise: 15,
        baseline: 3000,
        seed: 77,
      });
      for (const shift of PUBLISHED_SHIFTS[material]) {
        const found = findPeak(axis, intensity, shift);
        expect(Math.abs((found as number) - shift), `${material} ${shift}`).toBeLessThan(0.5);
      }
    });
  }

  it('is the same curve for the same seed and another for another', () => {
    const noisy = { ...request, material: 'sulfur', noise: 15 } as const;
    expect(synthesiseSpectrum(noisy).intensity).toEqual(synthesiseSpectrum(noisy).intensity);
    expect(synthesiseSpectrum({ ...noisy, seed: 2 }).intensity).not.toEqual(
      synthesiseSpectrum(noisy).intensity,
    );
  });

  it('holds both ends of the axis at the step asked for', () => {
    const { axis } = synthesiseSpectrum({
      ...request,
      material: 'sulfur',
      axisFrom: 200,
      axisTo: 2000,
    });
    expect(axis.length).toBe(901);
    expect(axis[0]).toBe(200);
    expect(axis[900]).toBe(2000);
  });

  it('moves every band by the axis error', () => {
    const { axis, intensity } = synthesiseSpectrum({
      ...request,
      material: 'polystyrene',
      axisError: 4,
    });
    expect(findPeak(axis, intensity, 1005.4)).toBeCloseTo(1005.4, 0);
  });

  it('refuses an axis without points or with too many', () => {
    const material = 'sulfur' as const;
    expect(() => synthesiseSpectrum({ ...request, material, step: 0 })).toThrow(RangeError);
    expect(() => synthesiseSpectrum({ ...request, material, axisTo: 40 })).toThrow(RangeError);
    expect(() => synthesiseSpectrum({ ...request, material, step: 0.01 })).toThrow(RangeError);
  });
});
