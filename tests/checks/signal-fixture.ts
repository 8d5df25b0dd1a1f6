import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import type { Limit, SignalLimits } from '../../src/site/signal-limits.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { curve, dec, goodResult, SITE, scoreOf } from './fixture.js';

/** Limits for the invented site of `fixture.ts`, and results that break one of them. All simulated. */
export const limit = (value: string): Limit => ({ value: dec(value), source: 'test protocol 7' });

export const LIMITS: SignalLimits = {
  detectors: [
    {
      model: 'Model A (simulated)',
      ceilingCounts: limit('65535'),
      linearMaxCounts: limit('60000'),
      resolutionCm1: limit('6.5'),
      exposureMaxMs: limit('5000'),
    },
  ],
  peaks: {
    spikeNoiseMultiple: limit('10'),
    bandNoiseMultiple: limit('10'),
    bandToleranceCm1: limit('4'),
  },
  noiseCorrelationMax: limit('0.9'),
  methods: [
    {
      method: 'ID-M-1',
      version: '1',
      peak: { from: dec('250'), to: dec('1750') },
      noise: { from: dec('1750'), to: dec('1950') },
      heightMinCounts: limit('500'),
      heightAtExposureMaxCounts: limit('20000'),
      signalToNoiseMin: limit('20'),
      backgroundToHeightMax: limit('5'),
      packaging: { validated: ['polyethylene liner'], source: 'test protocol 8' },
    },
  ],
  packaging: [
    {
      name: 'polyethylene',
      source: 'from memory',
      bands: ['1063', '1130', '1295', '1440'].map(dec),
      bandsMin: 3,
      reference: null,
    },
  ],
  lasers: [{ material: 'M-1', powerMaxMw: limit('50') }],
  ambientLight: {
    lampLinesNm: ['811.5', '826.5', '842.5', '912.3'].map(dec),
    linesMin: limit('3'),
    backgroundRiseMax: limit('3'),
  },
  pace: { secondsBetweenRunsMin: limit('5'), secondsBetweenAreasMin: limit('60') },
};

export function siteWith(over: Partial<SignalLimits> = {}): SiteFolder {
  return { ...SITE, signal: { ...LIMITS, ...over } };
}

export const SIGNAL_SITE = siteWith();

export interface Curve {
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
}

/** The curve of `goodResult(run)`, each point changed. */
export function changed(change: (y: number, x: number, i: number) => number, run = 1): Curve {
  const { axis, intensity } = curve('paracetamol', run);
  return { axis, intensity: intensity.map((y, i) => change(y, axis[i] as number, i)) };
}

/** What an acquisition says of which saturation can be checked, at a power that M-1 takes. */
export const SINGLE_FRAME: BundleResult['acquisition'] = {
  accumulations: 1,
  laserPowerMw: dec('50'),
};

/** A result on the curve given, as the instrument would score it. */
export function resultOn(measured: Curve, over: Partial<BundleResult> = {}, run = 1): BundleResult {
  const score = scoreOf('ID-M-1', measured);
  const decision = Number(score) >= 0.9 ? 'pass' : 'fail';
  return goodResult(run, {
    spectrum: encodeSpectrum(measured.axis, measured.intensity, 'float64'),
    score: { algorithm: 'squared-correlation', value: score, threshold: dec('0.90') },
    decision,
    acquisition: SINGLE_FRAME,
    ...over,
  });
}

/** A Lorentzian band, for bands of a packaging and lines of a lamp. */
export function band(x: number, centre: number, height: number, halfWidth = 5): number {
  return height / (1 + ((x - centre) / halfWidth) ** 2);
}
