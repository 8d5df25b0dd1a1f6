import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { roughNoise } from '../../src/checks/signal-peaks.js';
import { bandIn, noiseIn, noisePattern } from '../../src/checks/signal-region.js';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import { dec, examineParts, findingsOf, goodParts, goodResult } from './fixture.js';
import { limit, SIGNAL_SITE, siteWith } from './signal-fixture.js';

/** Numbers that spectra of broken software hold: not finite, huge, denormal, repeated. */
const awkward = fc.oneof(
  fc.double(),
  fc.constantFrom(0, -0, 1e308, -1e308, 5e-324, -5e-324, 65535, Number.NaN),
  fc.constantFrom(Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY, Number.MAX_VALUE),
  fc.integer({ min: 0, max: 3 }),
);
const finite = awkward.map((value) => (Number.isFinite(value) ? value : 0));
const eager = siteWith({
  detectors: SIGNAL_SITE.signal?.detectors.map((d) => ({ ...d, ceilingCounts: limit('1') })) ?? [],
  peaks: {
    spikeNoiseMultiple: limit('0'),
    bandNoiseMultiple: limit('0'),
    bandToleranceCm1: limit('1000'),
  },
});

function examined(results: readonly BundleResult[]) {
  return findingsOf(examineParts(goodParts(results), eager));
}

function resultWith(axis: readonly number[], intensity: readonly number[], run = 1): BundleResult {
  return goodResult(run, {
    spectrum: encodeSpectrum(axis, intensity, 'float64'),
    presentation: { kind: 'closed-chamber', between: '' },
    acquisition: { integrationTimeMs: dec('5000'), accumulations: 1 },
  });
}

describe('signal checks on broken spectra', () => {
  it('end with findings whatever the values are', () => {
    fc.assert(
      fc.property(fc.array(awkward, { minLength: 1, maxLength: 120 }), (values) => {
        const axis = values.map((_, i) => 200 + i * 16);
        for (const { code, message, numbers } of examined([resultWith(axis, values)])) {
          if (/^(spectrum-values|recheck-)/.test(code)) continue;
          expect(message).not.toMatch(/NaN|undefined/);
          expect(Object.values(numbers ?? {}).join()).not.toMatch(/undefined/);
        }
      }),
      { numRuns: 200 },
    );
  });

  it('end with findings whatever the axis is', () => {
    fc.assert(
      fc.property(fc.array(awkward, { minLength: 1, maxLength: 60 }), (axis) => {
        examined([
          resultWith(
            axis,
            axis.map((_, i) => i % 7),
          ),
        ]);
      }),
      { numRuns: 200 },
    );
  });

  it('give a finite number or none, on ascending axes of any scale', () => {
    const region = { from: dec('250'), to: dec('1750') };
    fc.assert(
      fc.property(fc.array(finite, { minLength: 2, maxLength: 200 }), (values) => {
        const axis = Float64Array.from(values, (_, i) => 200 + (i * 1800) / (values.length - 1));
        const intensity = Float64Array.from(values);
        for (const number of [roughNoise(intensity), noiseIn(axis, intensity, region)]) {
          expect(number === null || Number.isFinite(number)).toBe(true);
        }
        const band = bandIn(axis, intensity, region, 6);
        expect(band === null || Number.isFinite(band.height)).toBe(true);
        const pattern = noisePattern(axis, intensity, region, 'm');
        expect(pattern === null || pattern.steps.length > 0).toBe(true);
      }),
      { numRuns: 500 },
    );
  });

  it('compare the longest list of results and the longest spectrum in bounded time', () => {
    const points = 2000;
    const axis = Array.from({ length: points }, (_, i) => 200 + i * 0.9);
    const saw = (run: number) => axis.map((_, i) => ((i * 7919 + run * 104_729) % 1009) + 100);
    const results = Array.from({ length: 20 }, (_, i) => resultWith(axis, saw(i + 1), i + 1));
    const before = process.cpuUsage();
    examined(results);
    const { user } = process.cpuUsage(before);
    // Twenty spectra; a quadratic search over points would take minutes.
    expect(user / 1000).toBeLessThan(5000);
  });
});
