import type { FloatValues } from '../formats/float-array.js';
import type { ResidualTest } from '../site/method-treatment.js';
import type { ReferenceSpectrum } from '../site/site-folder.js';
import type { TestOutcome } from './peak-test.js';
import { referenceCurve, type Sample } from './spectral-score.js';

/**
 * What the reference does not explain: over the range of the method, before any derivative, the treated spectrum
 * is fitted by a · reference + b by least squares, at the shift of the score. The residual's root mean square or its
 * largest value is counted in the spectrum's own noise (`noiseOf`), or in a times the span of the reference.
 *
 * @param shift of the score, cm-1
 */
export function testResidual(
  test: ResidualTest,
  sample: Sample,
  reference: ReferenceSpectrum,
  measured: { readonly axis: FloatValues; readonly intensity: FloatValues; readonly shift: number },
): TestOutcome {
  const treated = referenceCurve(sample.plan, reference);
  if (typeof treated === 'string') return { kind: 'unclear', message: `residual: ${treated}` };
  const x = treated.plain;
  const steps = Math.round(measured.shift / sample.plan.grid.step);
  const { plain: y, unit: divisor } =
    sample.moved.find((one) => one.steps === steps)?.curve ?? sample.curve;
  const fit = scaledFit(x, y);
  if (fit === null || !(fit.scale > 0)) {
    return {
      kind: 'failed',
      message: `residual: the reference does not fit with a positive height`,
      numbers: { limit: test.limit, scale: fit === null ? 'none' : String(fit.scale) },
    };
  }
  const found = fit[test.statistic];
  const unit =
    test.unit === 'noise'
      ? noiseOf(measured.axis, measured.intensity, sample.plan.grid) / divisor
      : fit.scale * spanOf(x);
  if (!(unit > 0) && found > 0) {
    return { kind: 'unclear', message: `residual: the spectrum shows no ${test.unit} to count in` };
  }
  const value = found === 0 ? 0 : found / unit;
  const message = `residual ${test.statistic} is ${value.toPrecision(4)} times the ${test.unit}, limit ${test.limit}`;
  if (value <= Number(test.limit)) return { kind: 'passed', message };
  const numbers = {
    found: value.toPrecision(6),
    limit: test.limit,
    statistic: test.statistic,
    unit: test.unit,
  };
  return { kind: 'failed', message, numbers };
}

interface ScaledFit {
  readonly scale: number;
  readonly rms: number;
  readonly max: number;
}

/** Least squares of y ≈ scale · x + offset; null when x is constant. */
function scaledFit(x: Float64Array, y: Float64Array): ScaledFit | null {
  const n = x.length;
  let [sumX, sumY] = [0, 0];
  for (let i = 0; i < n; i++) {
    sumX += x[i] as number;
    sumY += y[i] as number;
  }
  const [meanX, meanY] = [sumX / n, sumY / n];
  let [squares, products] = [0, 0];
  for (let i = 0; i < n; i++) {
    const d = (x[i] as number) - meanX;
    squares += d * d;
    products += d * ((y[i] as number) - meanY);
  }
  if (!(squares > 0)) return null;
  const scale = products / squares;
  let [sum, max] = [0, 0];
  for (let i = 0; i < n; i++) {
    const rest = (y[i] as number) - meanY - scale * ((x[i] as number) - meanX);
    sum += rest * rest;
    max = Math.max(max, Math.abs(rest));
  }
  return { scale, rms: Math.sqrt(sum / n), max };
}

/** Turns the median of absolute values of normal noise into its standard deviation. */
const MEDIAN_TO_SD = 1.4826;

/**
 * Standard deviation of the noise of a measured trace within the range: 1.4826 times the median absolute second
 * difference of neighbouring points, over √6. A smooth curve leaves next to nothing in second differences, and
 * the median passes over the tops of bands. In the unit of the trace.
 */
export function noiseOf(
  axis: FloatValues,
  intensity: FloatValues,
  range: { readonly from: number; readonly step: number; readonly count: number },
): number {
  const last = range.from + (range.count - 1) * range.step;
  const found: number[] = [];
  for (let i = 1; i < axis.length - 1; i++) {
    if ((axis[i - 1] as number) < range.from || (axis[i + 1] as number) > last) continue;
    const bend =
      (intensity[i - 1] as number) - 2 * (intensity[i] as number) + (intensity[i + 1] as number);
    found.push(Math.abs(bend));
  }
  if (found.length === 0) return 0;
  const sorted = Float64Array.from(found).sort();
  const middle = sorted.length >> 1;
  const median =
    sorted.length % 2 === 1
      ? (sorted[middle] as number)
      : ((sorted[middle - 1] as number) + (sorted[middle] as number)) / 2;
  return (MEDIAN_TO_SD * median) / Math.sqrt(6);
}

function spanOf(values: Float64Array): number {
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let i = 0; i < values.length; i++) {
    low = Math.min(low, values[i] as number);
    high = Math.max(high, values[i] as number);
  }
  return high - low;
}
