import { PUBLISHED_SHIFTS, type Substance } from './published-shifts.js';
import { gaussian, seededRandom, seedFor } from './seeded-random.js';

/**
 * Simulated Raman spectra. Positions are published (ASTM E1840, see `published-shifts.ts`); heights, widths,
 * fluorescence and noise are invented, so such a curve shows how software behaves and nothing about a material.
 */
export interface SynthesisRequest {
  readonly material: Substance;
  /** Raman shift of the first point, cm-1. */
  readonly axisFrom: number;
  /** Raman shift the axis runs to, inclusive, cm-1. */
  readonly axisTo: number;
  readonly step: number;
  /** Standard deviation of the added noise, counts. Bands are up to 10 000 counts high. */
  readonly noise: number;
  /** Height of the broad fluorescence background, counts. */
  readonly baseline: number;
  readonly seed: number;
  /** Moves every band, cm-1: a spectrometer out of adjustment. Default 0. */
  readonly axisError?: number;
}

export interface SynthesisedSpectrum {
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
}

export interface SimulatedBand {
  readonly shift: number;
  /** Height at the centre, counts. */
  readonly height: number;
  /** Half width at half height, cm-1. */
  readonly halfWidth: number;
}

const HEIGHT_MAX = 10_000;
const POINTS_MAX = 20_000;

/** The bands a simulated substance shows: published positions, invented heights and widths. */
export function simulatedBands(material: Substance): readonly SimulatedBand[] {
  const invent = seededRandom(seedFor(0, material));
  return PUBLISHED_SHIFTS[material].map((shift) => ({
    shift,
    height: HEIGHT_MAX * (0.35 + 0.65 * invent()),
    halfWidth: 3.5 + 1.5 * invent(),
  }));
}

/**
 * Lorentzian bands over a broad background with Gaussian noise, on an even axis. The same request gives the
 * same curve on every machine. Throws a RangeError on an axis that holds nothing or more than 20 000 points.
 */
export function synthesiseSpectrum(request: SynthesisRequest): SynthesisedSpectrum {
  const { axisFrom, axisTo, step } = request;
  const points = Math.floor((axisTo - axisFrom) / step + 1e-9) + 1;
  if (!(step > 0) || !(points >= 2) || points > POINTS_MAX) {
    throw new RangeError(`axis ${axisFrom}..${axisTo} by ${step} holds no or too many points`);
  }
  const bands = simulatedBands(request.material);
  const random = seededRandom(request.seed);
  const axis = Float64Array.from({ length: points }, (_, i) => axisFrom + i * step);
  const intensity = axis.map((x) => {
    const shift = x - (request.axisError ?? 0);
    const noise = request.noise === 0 ? 0 : request.noise * gaussian(random);
    return sumOfBands(bands, shift) + background(request.baseline, x) + noise;
  });
  return { axis, intensity };
}

function sumOfBands(bands: readonly SimulatedBand[], shift: number): number {
  let sum = 0;
  for (const { shift: centre, height, halfWidth } of bands) {
    const distance = (shift - centre) / halfWidth;
    sum += height / (1 + distance * distance);
  }
  return sum;
}

/** A hump hundreds of wavenumbers wide over a gentle slope, as fluorescence under 785 nm often looks. */
function background(height: number, shift: number): number {
  const hump = (shift - 1300) / 900;
  return height * (0.8 * Math.exp(-hump * hump) + 0.2 * (1 - shift / 4000));
}
