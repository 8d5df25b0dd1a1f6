import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { sameNoise, tracePattern } from '../../src/checks/bundle-traces.js';
import { intensityDigest } from '../../src/checks/intensity-digest.js';
import { curveCorrelation } from '../../src/checks/noise-curve.js';
import { signalOf } from '../../src/checks/signal.js';
import { findPeaks, isSpike, roughNoise } from '../../src/checks/signal-peaks.js';
import { bandIn, noisePattern } from '../../src/checks/signal-region.js';
import { dec } from '../checks/fixture.js';
import { describeWithSpectra } from '../support/shared.js';

/**
 * Measured spectra of the shared folder (its README names sources and licences). What is expected is what that README
 * says of them, or what can be seen in them; nothing here is a limit for a site.
 */
interface Measured {
  readonly name: string;
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
}

function read(directory: string): Measured[] {
  return readdirSync(directory).map((name) => {
    const rows = readFileSync(join(directory, name), 'utf8')
      .split(/\r?\n/)
      .map((line) => line.split(/[,\t]/).map(Number))
      .filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y)) as [number, number][];
    return {
      name: name.replace(/\.(csv|txt)$/, ''),
      axis: Float64Array.from(rows, ([x]) => x),
      intensity: Float64Array.from(rows, ([, y]) => y),
    };
  });
}

const REGION = { from: dec('400'), to: dec('1550') };

describeWithSpectra('signal of measured spectra', (directory) => {
  const all = read(directory);
  const band = ({ axis, intensity }: Measured) => {
    const found = bandIn(axis, intensity, REGION, null);
    const noise = roughNoise(intensity);
    if (found === null || noise === null) throw new Error('expected a band and noise');
    return { ...found, noise };
  };
  const ranked = (of: (spectrum: Measured) => number) =>
    [...all].sort((a, b) => of(b) - of(a)).map(({ name }) => name);

  it('has the noisy ones that the README names where it says so', () => {
    // "calcite__S4_785_op2 and polyethylene-hd__S8 are noisy", "fluorescence or detector slopes in some files" of S4.
    const byNoise = ranked((s) => band(s).noise / band(s).height);
    expect(byNoise[0]).toBe('polyethylene-hd__S8');
    const byBackground = ranked((s) => band(s).background / band(s).height);
    expect(byBackground.slice(0, 3).sort()).toEqual([
      'calcite__S4_785_op1',
      'calcite__S4_785_op2',
      'polystyrene__S4_785_op2',
    ]);
    const swamped = all.find(({ name }) => name === 'calcite__S4_785_op2');
    if (swamped === undefined) throw new Error('expected calcite__S4_785_op2');
    expect(band(swamped).background / band(swamped).height).toBeGreaterThan(20);
  });

  it('shows no plateau, and spikes of one or two points in three of 44 files only', () => {
    const spiked = all.filter(({ axis, intensity }) =>
      findPeaks(axis, intensity, 10 * (roughNoise(intensity) ?? Number.NaN)).some((peak) =>
        isSpike(peak, 4),
      ),
    );
    expect(spiked.map(({ name }) => name).sort()).toEqual([
      'acetonitrile__S2_785b',
      'calcite__S4_785_op2',
      'sodium-carbonate__S1b',
    ]);
    for (const { axis, intensity } of all) {
      const values = { axis, intensity, even: null, intensityUnit: 'counts' };
      expect(signalOf(values, null, null).highest.plateau).toBeLessThan(3);
    }
  });

  it('has two of one laboratory that end near the ceiling less their dark counts', () => {
    // "columns Raman Shift and Dark Subtracted of the text export": cut off or not cannot be told from them, which
    // is what `saturation-not-checkable` says of a spectrum whose background was subtracted.
    const high = all.filter(({ intensity }) => Math.max(...intensity) > 64_000);
    expect(high.map(({ name }) => name)).toEqual([
      'polystyrene__S4_785_z20',
      'polystyrene__S4_785_z50',
    ]);
    for (const { intensity } of high) expect(Math.max(...intensity)).toBeLessThan(65_535);
  });

  it('has no two with the same noise, not of one instrument and substance either', () => {
    const quiet = { from: dec('1750'), to: dec('1950') };
    const traces = all.flatMap(({ axis, intensity, name }) => {
      const pattern = noisePattern(axis, intensity, quiet, 'any');
      const known = { sha256: name, intensitySha256: intensityDigest(intensity) };
      return pattern === null ? [] : [{ ...known, pattern: tracePattern(pattern) }];
    });
    let pairs = 0;
    let highest = 0;
    for (const [i, a] of traces.entries()) {
      for (const b of traces.slice(0, i)) {
        if (Math.abs(a.pattern.steps.length - b.pattern.steps.length) > 1) continue;
        pairs += 1;
        highest = Math.max(highest, sameNoise(a, b, 0) ?? 0);
      }
    }
    expect(new Set(traces.map((trace) => trace.intensitySha256)).size).toBe(traces.length);
    expect(pairs).toBeGreaterThan(20);
    expect(highest).toBeLessThan(0.9);
  });

  // Of regions without a band of any of them (the README names none, and the overview shows none): what is left of a band
  // at so few points is alike in replicates.
  it.each([
    [1750, 1950],
    [1850, 1990],
  ])(
    'has no two alike by their shifts at %d to %d cm-1, and each is like itself thinned',
    (from, to) => {
      const quiet = { from: dec(String(from)), to: dec(String(to)) };
      const traceOf = ({ axis, intensity }: Measured, step: number) => {
        const every = (values: Float64Array) => values.filter((_, i) => i % step === 0);
        const pattern = noisePattern(every(axis), every(intensity), quiet, 'any');
        return pattern === null ? null : tracePattern(pattern).curve;
      };
      let pairs = 0;
      let copies = 0;
      for (const step of [1, 2, 3]) {
        const thinned = all.map((one) => traceOf(one, step));
        for (const [i, whole] of all.entries()) {
          const trace = traceOf(whole, 1);
          for (const [j, other] of thinned.entries()) {
            if (trace === null || other === null) continue;
            const r = curveCorrelation(trace, other, 0.5);
            if (i === j) copies += step > 1 && r !== null && r > 0.9 ? 1 : 0;
            else {
              pairs += 1;
              expect(r, `${whole.name} and ${all[j]?.name}, every ${step}`).toBeNull();
            }
          }
        }
      }
      // Some come to fewer than 22 points at every third one.
      expect(pairs).toBeGreaterThan(4000);
      expect(copies).toBeGreaterThan(60);
    },
  );
});
