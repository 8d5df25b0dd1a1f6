import type { FloatValues } from '../formats/float-array.js';
import { PLAIN_TREATMENT, type Treatment } from '../site/method-treatment.js';
import type { DerivativeSetting, Method } from '../site/site-folder.js';
import { subtractBaseline } from './baseline.js';
import {
  covers,
  type Grid,
  gridOf,
  interpolateLinear,
  interpolateSpline,
  stepsWithin,
} from './even-grid.js';
import { derivativeFault, savitzkyGolay } from './savitzky-golay.js';

/** What a method does to a curve, read once. */
export interface TreatmentPlan {
  readonly grid: Grid;
  readonly treatment: Treatment;
  readonly derivative: DerivativeSetting | null;
  /** True when scores are of deviations from the mean: Pearson's r, or a cosine of SNV curves, which is the same. */
  readonly isCentred: boolean;
  /** Grid steps that the measured curve may be moved by, either way. */
  readonly stepsEachWay: number;
  /** Same for plans that make the same of a reference. */
  readonly key: string;
}

export interface Treated {
  /** Deviations from their mean where the plan is centred, otherwise the treated values. */
  readonly values: Float64Array;
  /** Square root of the sum of squares of `values`. */
  readonly length: number;
  /** The curve before the derivative, its largest value in size 1 before the baseline was taken off. */
  readonly plain: Float64Array;
  /** What `plain` was divided by. */
  readonly unit: number;
}

export type TreatedOrNot =
  | { readonly ok: true; readonly curve: Treated }
  | { readonly ok: false; readonly reason: string };

/** Deviation from the mean, beside the largest value, below which a curve counts as constant. */
export const CONSTANT_WITHIN = 1e-14;
/** The same behind a baseline correction, which solves a system and so rounds more. */
const CONSTANT_WITHOUT_BASELINE = 1e-9;
/** A baseline needs more points than this. */
const BASELINE_POINTS_MIN = 16;

const plans = new WeakMap<Method, TreatmentPlan | string>();

/** The plan of a method, or why it has none. */
export function planOf(method: Method): TreatmentPlan | string {
  const known = plans.get(method);
  if (known !== undefined) return known;
  const plan = makePlan(method);
  plans.set(method, plan);
  return plan;
}

function makePlan(method: Method): TreatmentPlan | string {
  const { algorithm, derivative } = method;
  const treatment = method.treatment ?? PLAIN_TREATMENT;
  const grid = gridOf(method);
  if (grid === null) return 'the range and grid of the method hold no grid';
  if (derivative !== null) {
    const fault = derivativeFault(derivative);
    if (fault !== null) return `derivative: ${fault}`;
    if (grid.count < derivative.points) {
      return 'the grid of the method is shorter than its derivative window';
    }
  }
  if (treatment.baseline !== null && grid.count < BASELINE_POINTS_MIN) {
    return `the grid of the method has fewer than the ${BASELINE_POINTS_MIN} points of a baseline`;
  }
  const isCosine = algorithm === 'cosine' || algorithm === 'squared-cosine';
  return {
    grid,
    treatment,
    derivative,
    isCentred: !isCosine || treatment.normalisation === 'snv',
    stepsEachWay: stepsWithin(Number(treatment.shiftAllowance), grid.step),
    key: JSON.stringify([grid, treatment, derivative, isCosine]),
  };
}

/**
 * Brings a curve to the grid of the plan and treats it: interpolation, division by its largest value in size,
 * baseline, derivative. The axis has to ascend strictly and to cover the range.
 *
 * @param moved cm-1 that the curve is moved down by before anything else
 */
export function treatCurve(
  plan: TreatmentPlan,
  axis: FloatValues,
  intensity: FloatValues,
  what: string,
  moved = 0,
): TreatedOrNot {
  const { baseline, interpolation } = plan.treatment;
  const grid = moved === 0 ? plan.grid : { ...plan.grid, from: plan.grid.from + moved };
  if (!covers(axis, grid)) return none(`${what} does not cover the range of the method`);
  const interpolate = interpolation === 'spline' ? interpolateSpline : interpolateLinear;
  const plain = interpolate(axis, intensity, grid);
  const unit = largest(plain);
  if (!Number.isFinite(unit)) return none(`${what} holds values that cannot be interpolated`);
  if (unit > 0) for (let i = 0; i < plain.length; i++) plain[i] = (plain[i] as number) / unit;
  if (baseline !== null) subtractBaseline(plain, baseline);
  const { derivative } = plan;
  const values = derivative === null ? plain.slice() : savitzkyGolay(plain, derivative, grid.step);
  const least = baseline === null ? CONSTANT_WITHIN : CONSTANT_WITHOUT_BASELINE;
  const deviations = deviationsOf(values);
  const spread = lengthOf(deviations);
  if (!(spread > least * Math.sqrt(grid.count))) {
    return none(`${what} is constant over the range of the method`);
  }
  const used = plan.isCentred
    ? { values: deviations, length: spread }
    : { values, length: lengthOf(values) };
  return { ok: true, curve: { ...used, plain, unit } };
}

export function largest(values: FloatValues): number {
  let max = 0;
  for (let i = 0; i < values.length; i++) max = Math.max(max, Math.abs(values[i] as number));
  return max;
}

export function meanOf(values: Float64Array): number {
  let sum = 0;
  for (let i = 0; i < values.length; i++) sum += values[i] as number;
  return sum / values.length;
}

/** What each value differs from the mean of all. */
export function deviationsOf(values: Float64Array): Float64Array {
  const mean = meanOf(values);
  const out = new Float64Array(values.length);
  for (let i = 0; i < values.length; i++) out[i] = (values[i] as number) - mean;
  return out;
}

/** Square root of the sum of squares. */
export function lengthOf(values: Float64Array): number {
  let squares = 0;
  for (let i = 0; i < values.length; i++) squares += (values[i] as number) * (values[i] as number);
  return Math.sqrt(squares);
}

function none(reason: string): TreatedOrNot {
  return { ok: false, reason };
}
