import type { BundleResult } from '../intake/result-bundle.js';
import type {
  DetectorLimits,
  MethodSignal,
  PackagingSignal,
  SignalLimits,
} from '../site/signal-limits.js';
import type { Method } from '../site/site-folder.js';
import { packagingScore } from './packaging-score.js';
import { findPeaks, type Peak, roughNoise } from './signal-peaks.js';
import { type Band, bandIn, type NoisePattern, noiseIn, noisePattern } from './signal-region.js';
import type { SpectrumValues } from './spectrum-values.js';

/**
 * What the checks on signal quality look at, taken from a spectrum once. The definitions are in docs/signal.md. null
 * stands for what the site sets no limit on, or what the spectrum does not cover.
 */
export interface Signal {
  readonly highest: Highest;
  /** Standard deviation of the noise of the whole curve. */
  readonly roughNoise: number | null;
  /** Every local maximum that could be a spike or a band. */
  readonly peaks: readonly Peak[];
  readonly band: Band | null;
  /** Standard deviation in the method's peak-free region. */
  readonly noise: number | null;
  /** Background at the last tenth of the points minus that at the first, medians. */
  readonly backgroundRise: number;
  readonly pattern: NoisePattern | null;
  readonly packagingScores: readonly { readonly of: PackagingSignal; readonly score: number }[];
}

export interface Highest {
  readonly value: number;
  /** Of the first point that has it. */
  readonly index: number;
  /** Most neighbouring points that all have it. */
  readonly plateau: number;
  /** True when no point lies below it. */
  readonly isConstant: boolean;
}

/** The entries of `signal-limits.yaml` that are about one result. */
export interface ResultLimits {
  readonly all: SignalLimits;
  readonly detector: DetectorLimits | null;
  readonly method: MethodSignal | null;
}

/** null where the site has no `signal-limits.yaml`. */
export function limitsOf(
  signal: SignalLimits | null | undefined,
  model: string | null,
  result: BundleResult,
): ResultLimits | null {
  if (signal === null || signal === undefined) return null;
  const { id, version } = result.method;
  return {
    all: signal,
    detector: signal.detectors.find((detector) => detector.model === model) ?? null,
    method: signal.methods.find((m) => m.method === id && m.version === version) ?? null,
  };
}

/** Looks at a spectrum once. Its axis must be strictly ascending and all values finite. */
export function signalOf(
  { axis, intensity }: SpectrumValues,
  limits: ResultLimits | null,
  method: Method | null,
): Signal {
  const highest = highestOf(intensity);
  if (limits === null) return { highest, ...NOTHING_ASKED };
  const noise = roughNoise(intensity);
  const { resolutionCm1 } = limits.detector ?? {};
  const resolution = resolutionCm1 === undefined ? null : Number(resolutionCm1.value);
  const multiple = smallestMultiple(limits.all);
  const peaks =
    noise === null || multiple === null ? [] : findPeaks(axis, intensity, noise * multiple);
  const { peak, noise: quiet } = limits.method ?? {};
  const name = `${method?.id ?? ''} ${method?.version ?? ''}`;
  return {
    highest,
    roughNoise: noise,
    peaks,
    band: peak === undefined ? null : bandIn(axis, intensity, peak, resolution, peaks),
    noise: quiet === undefined ? null : noiseIn(axis, intensity, quiet),
    backgroundRise: riseOf(intensity),
    pattern:
      quiet === undefined || limits.all.noiseCorrelationMax === undefined
        ? null
        : noisePattern(axis, intensity, quiet, name),
    packagingScores: limits.all.packaging.flatMap((of) => {
      const score = packagingScore(of, axis, intensity);
      return score === null ? [] : [{ of, score }];
    }),
  };
}

const NOTHING_ASKED: Omit<Signal, 'highest'> = {
  roughNoise: null,
  peaks: [],
  band: null,
  noise: null,
  backgroundRise: 0,
  pattern: null,
  packagingScores: [],
};

function smallestMultiple({ peaks }: SignalLimits): number | null {
  const set = [peaks.spikeNoiseMultiple, peaks.bandNoiseMultiple].flatMap((limit) =>
    limit === undefined ? [] : [Number(limit.value)],
  );
  return set.length === 0 ? null : Math.min(...set);
}

function highestOf(intensity: SpectrumValues['intensity']): Highest {
  let value = intensity[0] as number;
  let index = 0;
  let plateau = 1;
  let run = 1;
  let lowest = value;
  for (let i = 1; i < intensity.length; i++) {
    const here = intensity[i] as number;
    if (here < lowest) lowest = here;
    if (here > value) {
      value = here;
      index = i;
      plateau = 1;
      run = 1;
    } else if (here === value) {
      run = intensity[i - 1] === value ? run + 1 : 1;
      if (run > plateau) plateau = run;
    }
  }
  return { value, index, plateau, isConstant: lowest === value };
}

/** Medians are untouched by bands and spikes as long as these are narrow. */
function riseOf(intensity: SpectrumValues['intensity']): number {
  const tenth = Math.max(1, Math.floor(intensity.length / 10));
  return median(intensity.slice(-tenth)) - median(intensity.slice(0, tenth));
}

function median(values: SpectrumValues['intensity']): number {
  values.sort();
  return values[values.length >> 1] as number;
}
