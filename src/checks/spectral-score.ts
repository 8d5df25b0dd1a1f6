import type { FloatValues } from '../formats/float-array.js';
import type { Method, ReferenceSpectrum, ScoreAlgorithm } from '../site/site-folder.js';
import { stepsWithin } from './even-grid.js';
import {
  CONSTANT_WITHIN,
  deviationsOf,
  largest,
  lengthOf,
  planOf,
  type Treated,
  type TreatmentPlan,
  treatCurve,
} from './treat-curve.js';

/**
 * The score that a registered method gives a spectrum: both curves treated as the method declares
 * (`treat-curve.ts`), then Pearson's correlation or the cosine of the two, as it is or squared. A square keeps
 * the sign: of a negative value it is 0. With a shift allowance the best score of the measured curve, moved
 * by whole grid steps, counts.
 */
export type SpectralScore =
  | {
      readonly kind: 'scored';
      readonly score: number;
      /** How far the bands of the spectrum lie above those of the reference at that score, cm-1. */
      readonly shift: number;
    }
  /** A fact, not a fault: a constant curve correlates with nothing, a short axis covers no range. */
  | NoScore;

export interface NoScore {
  readonly kind: 'no-score';
  readonly reason: string;
}

/** A measured curve treated by a method's plan, to be scored against any number of references. */
export interface Sample {
  readonly plan: TreatmentPlan;
  readonly algorithm: ScoreAlgorithm;
  /** As it was measured. */
  readonly curve: Treated;
  /** Moved by whole grid steps, the smallest moves first; with the one as it was measured. */
  readonly moved: readonly { readonly steps: number; readonly curve: Treated }[];
}

/** Scores a spectrum against the method's own reference. Its axis must be strictly ascending, all values finite. */
export function spectralScore(
  method: Method,
  axis: FloatValues,
  intensity: FloatValues,
): SpectralScore {
  if (method.reference === null) {
    return noScore('the registry holds no reference spectrum for the method');
  }
  // The reference first: what is wrong with it is wrong for every spectrum.
  const plan = planOf(method);
  if (typeof plan === 'string') return noScore(plan);
  const reference = referenceCurve(plan, method.reference);
  if (typeof reference === 'string') return noScore(reference);
  const sample = treatSample(method, axis, intensity);
  return 'kind' in sample ? sample : scoreAgainst(sample, method.reference);
}

/** Treats a spectrum once for every shift that the method allows and its axis covers. */
export function treatSample(
  method: Method,
  axis: FloatValues,
  intensity: FloatValues,
): Sample | NoScore {
  const plan = planOf(method);
  if (typeof plan === 'string') return noScore(plan);
  if (method.algorithm === 'undisclosed') return noScore('the algorithm is undisclosed');
  const treated = treatCurve(plan, axis, intensity, 'the spectrum');
  if (!treated.ok) return noScore(treated.reason);
  const { curve } = treated;
  const moved = [{ steps: 0, curve }];
  for (let far = 1; far <= plan.stepsEachWay; far++) {
    for (const steps of [far, -far]) {
      const by = steps * plan.grid.step;
      const other = treatCurve(plan, axis, intensity, 'the spectrum', by);
      if (other.ok) moved.push({ steps, curve: other.curve });
    }
  }
  return { plan, algorithm: method.algorithm, curve, moved };
}

/** Scores a treated spectrum against one reference. */
export function scoreAgainst(sample: Sample, reference: ReferenceSpectrum): SpectralScore {
  const known = referenceCurve(sample.plan, reference);
  if (typeof known === 'string') return noScore(known);
  let best = { value: Number.NEGATIVE_INFINITY, steps: 0 };
  for (const { steps, curve } of sample.moved) {
    const value = productAt(curve.values, 0, known.values) / (curve.length * known.length);
    if (value > best.value) best = { value, steps };
  }
  const score = asScore(Math.min(1, Math.max(-1, best.value)), sample.algorithm);
  return { kind: 'scored', score, shift: best.steps * sample.plan.grid.step };
}

/**
 * The shift up to `furthest` cm-1, about every 1 cm-1, at which a treated spectrum scores best, and that score, over
 * the part of the range that both curves still share. Nothing is treated anew: good enough to say why a spectrum
 * disagrees, and not a score of the method.
 */
export function bestSlide(
  sample: Sample,
  reference: ReferenceSpectrum,
  furthest: number,
): { readonly score: number; readonly shift: number } | null {
  const known = referenceCurve(sample.plan, reference);
  if (typeof known === 'string') return null;
  const { grid, isCentred } = sample.plan;
  const stride = Math.max(1, Math.round(1 / grid.step));
  const most = Math.min(stepsWithin(furthest, grid.step), grid.count >> 1);
  let best = { value: Number.NEGATIVE_INFINITY, steps: 0 };
  for (let far = 0; far <= most; far += stride) {
    for (const steps of far === 0 ? [0] : [far, -far]) {
      const shared = grid.count - far;
      const [up, down] = [Math.max(0, steps), Math.max(0, -steps)];
      const a = sample.curve.values.subarray(up, up + shared);
      const b = known.values.subarray(down, down + shared);
      const [x, y] = isCentred ? [deviationsOf(a), deviationsOf(b)] : [a, b];
      const value = productAt(x, 0, y) / (lengthOf(x) * lengthOf(y));
      if (value > best.value) best = { value, steps };
    }
  }
  if (best.value === Number.NEGATIVE_INFINITY) return null;
  const score = asScore(Math.min(1, best.value), sample.algorithm);
  return { score, shift: best.steps * grid.step };
}

/** Square of Pearson's r with r < 0 → 0, in two passes; null when one of the curves is constant. */
export function squaredCorrelation(a: Float64Array, b: Float64Array): number | null {
  if (a.length !== b.length) throw new RangeError(`${a.length} values against ${b.length}`);
  const [left, right] = [spreadOf(a), spreadOf(b)];
  if (left === null || right === null) return null;
  const r = productAt(left.deviations, 0, right.deviations) / (left.length * right.length);
  return asScore(Math.min(1, r), 'squared-correlation');
}

function spreadOf(values: Float64Array): Spread | null {
  const deviations = deviationsOf(values);
  const length = lengthOf(deviations);
  const least = CONSTANT_WITHIN * largest(values) * Math.sqrt(values.length);
  return Number.isFinite(length) && length > least ? { deviations, length } : null;
}

interface Spread {
  readonly deviations: Float64Array;
  readonly length: number;
}

/** The sign counts: -1 squared is no match. */
function asScore(value: number, algorithm: ScoreAlgorithm): number {
  const isSquared = algorithm === 'squared-correlation' || algorithm === 'squared-cosine';
  if (!isSquared) return value;
  return value <= 0 ? 0 : value * value;
}

/** Product of a reference with a curve, from a point of the curve on. */
export function productAt(values: Float64Array, from: number, reference: Float64Array): number {
  let sum = 0;
  for (let i = 0, k = from; i < reference.length; i++, k++) {
    sum += (values[k] as number) * (reference[i] as number);
  }
  return sum;
}

const CURVES_KEPT_POINTS = 4_000_000;
let references = new WeakMap<ReferenceSpectrum, Map<string, Treated | string>>();
let pointsKept = 0;

/** A reference as the plan treats it, or why it cannot be; kept, since it is the same for every spectrum. */
export function referenceCurve(
  plan: TreatmentPlan,
  reference: ReferenceSpectrum,
): Treated | string {
  const known = references.get(reference)?.get(plan.key);
  if (known !== undefined) return known;
  const treated = treatCurve(plan, reference.axis, reference.intensity, 'the reference');
  const curve = treated.ok ? treated.curve : treated.reason;
  pointsKept += 2 * plan.grid.count;
  if (pointsKept > CURVES_KEPT_POINTS) {
    references = new WeakMap();
    pointsKept = 2 * plan.grid.count;
  }
  const ofReference = references.get(reference) ?? new Map<string, Treated | string>();
  references.set(reference, ofReference.set(plan.key, curve));
  return curve;
}

function noScore(reason: string): NoScore {
  return { kind: 'no-score', reason };
}
