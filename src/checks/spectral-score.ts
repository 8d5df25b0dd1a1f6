import type { FloatValues } from '../formats/float-array.js';
import type { Method, ReferenceSpectrum, ScoreAlgorithm } from '../site/site-folder.js';
import {
  largest,
  lengthOf,
  meanOf,
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
  readonly curve: Treated;
  /** Index on the sample's grid of the first point of the method's range. */
  readonly offset: number;
  /** Length of the curve over the range, by the grid steps it is moved. */
  readonly lengths: ReadonlyMap<number, number>;
}

interface ReferenceCurve {
  readonly curve: Treated;
  readonly length: number;
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

/** @param stepsMore grid steps that the spectrum is moved by beyond the method's allowance, to find out why it disagrees */
export function treatSample(
  method: Method,
  axis: FloatValues,
  intensity: FloatValues,
  stepsMore = 0,
): Sample | NoScore {
  const plan = planOf(method);
  if (typeof plan === 'string') return noScore(plan);
  if (method.algorithm === 'undisclosed') return noScore('the algorithm is undisclosed');
  const steps = plan.stepsEachWay + stepsMore;
  const treated = treatCurve(plan, axis, intensity, 'the spectrum', steps);
  if (!treated.ok) return noScore(treated.reason);
  const { curve } = treated;
  const offset = Math.round((plan.grid.from - curve.grid.from) / plan.grid.step);
  const lengths = lengthsByShift(curve, offset, plan, steps);
  if (!lengths.has(0)) return noScore('the spectrum is constant over the range of the method');
  return { plan, algorithm: method.algorithm, curve, offset, lengths };
}

/** Scores a treated spectrum against one reference. */
export function scoreAgainst(sample: Sample, reference: ReferenceSpectrum): SpectralScore {
  const known = referenceCurve(sample.plan, reference);
  if (typeof known === 'string') return noScore(known);
  let best = { value: Number.NEGATIVE_INFINITY, steps: 0 };
  for (const [steps, length] of sample.lengths) {
    const product = productAt(sample.curve.values, sample.offset + steps, known.curve.values);
    const value = product / (length * known.length);
    if (value > best.value || (value === best.value && Math.abs(steps) < Math.abs(best.steps))) {
      best = { value, steps };
    }
  }
  const score = asScore(Math.min(1, Math.max(-1, best.value)), sample.algorithm);
  return { kind: 'scored', score, shift: best.steps * sample.plan.grid.step };
}

/** Square of Pearson's r with r < 0 → 0, in two passes; null when one of the curves is constant. */
export function squaredCorrelation(a: Float64Array, b: Float64Array): number | null {
  if (a.length !== b.length) throw new RangeError(`${a.length} values against ${b.length}`);
  const [left, right] = [deviationsOf(a), deviationsOf(b)];
  if (left === null || right === null) return null;
  const r = productAt(left, 0, right) / (lengthOf(left) * lengthOf(right));
  return asScore(Math.min(1, r), 'squared-correlation');
}

function deviationsOf(values: Float64Array): Float64Array | null {
  const mean = meanOf(values);
  const deviations = values.map((value) => value - mean);
  const length = lengthOf(deviations);
  const least = 1e-14 * largest(values) * Math.sqrt(values.length);
  return Number.isFinite(length) && length > least ? deviations : null;
}

/** The sign counts: -1 squared is no match. */
function asScore(value: number, algorithm: ScoreAlgorithm): number {
  const isSquared = algorithm === 'squared-correlation' || algorithm === 'squared-cosine';
  if (!isSquared) return value;
  return value <= 0 ? 0 : value * value;
}

function productAt(values: Float64Array, from: number, reference: Float64Array): number {
  let sum = 0;
  for (let i = 0, k = from; i < reference.length; i++, k++) {
    sum += (values[k] as number) * (reference[i] as number);
  }
  return sum;
}

/**
 * Length of the part of the curve that lies on the method's range, for every shift that the axis covers. The
 * deviations are those from the mean of the whole curve; what the part's own mean differs from it is taken off
 * here, and plays no part in the product with a reference whose deviations sum to 0.
 */
function lengthsByShift(
  curve: Treated,
  offset: number,
  plan: TreatmentPlan,
  most: number,
): ReadonlyMap<number, number> {
  const lengths = new Map<number, number>();
  const { count } = plan.grid;
  const first = Math.max(-most, -offset);
  const last = Math.min(most, curve.grid.count - count - offset);
  for (let steps = first; steps <= last; steps++) {
    const part = curve.values.subarray(offset + steps, offset + steps + count);
    const mean = plan.isCentred ? meanOf(part) : 0;
    let squares = 0;
    for (let i = 0; i < count; i++) {
      const value = (part[i] as number) - mean;
      squares += value * value;
    }
    const length = Math.sqrt(squares);
    if (length > curve.nothing) lengths.set(steps, length);
  }
  return lengths;
}

const CURVES_KEPT_POINTS = 4_000_000;
let references = new WeakMap<ReferenceSpectrum, Map<string, ReferenceCurve | string>>();
let pointsKept = 0;

/** A reference as the plan treats it, or why it cannot be; kept, since it is the same for every spectrum. */
export function referenceCurve(
  plan: TreatmentPlan,
  reference: ReferenceSpectrum,
): ReferenceCurve | string {
  const known = references.get(reference)?.get(plan.key);
  if (known !== undefined) return known;
  const treated = treatCurve(plan, reference.axis, reference.intensity, 'the reference');
  const curve = treated.ok
    ? { curve: treated.curve, length: lengthOf(treated.curve.values) }
    : treated.reason;
  pointsKept += 2 * plan.grid.count;
  if (pointsKept > CURVES_KEPT_POINTS) {
    references = new WeakMap();
    pointsKept = 2 * plan.grid.count;
  }
  const ofReference = references.get(reference) ?? new Map<string, ReferenceCurve | string>();
  references.set(reference, ofReference.set(plan.key, curve));
  return curve;
}

function noScore(reason: string): NoScore {
  return { kind: 'no-score', reason };
}
