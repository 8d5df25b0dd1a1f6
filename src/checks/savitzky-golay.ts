import type { DerivativeSetting } from '../site/site-folder.js';

/**
 * Savitzky–Golay smoothing and differentiation: in every window a polynomial is fitted by least squares
 * and its value or derivative taken (A. Savitzky, M. J. E. Golay, Analytical Chemistry 36, 1627, 1964). At
 * the ends, where the window does not fit, the polynomial of the first or last whole window is taken. For
 * even spacing only.
 */
export function savitzkyGolay(
  values: Float64Array,
  setting: DerivativeSetting,
  spacing: number,
): Float64Array {
  const { points, order } = setting;
  const half = (points - 1) / 2;
  const count = values.length;
  if (count < points) throw new RangeError(`${count} values, a window has ${points}`);
  const weights = windowWeights(setting);
  const scale = 1 / spacing ** order;
  const out = new Float64Array(count);
  const central = weights[half] ?? new Float64Array(points);
  for (let i = half; i < count - half; i++) {
    let sum = 0;
    for (let j = 0, k = i - half; j < points; j++, k++) {
      sum += (central[j] as number) * (values[k] as number);
    }
    out[i] = sum * scale;
  }
  for (let i = 0; i < half; i++) {
    out[i] = dot(weights[i], values, 0) * scale;
    out[count - 1 - i] = dot(weights[points - 1 - i], values, count - points) * scale;
  }
  return out;
}

/** Why a setting cannot be used, or null. */
export function derivativeFault(setting: DerivativeSetting): string | null {
  const { points, polynomialOrder, order } = setting;
  if (!Number.isInteger(points) || points < 3 || points > 101 || points % 2 === 0) {
    return `expected an odd number of 3 to 101 points, found ${points}`;
  }
  if (!Number.isInteger(polynomialOrder) || polynomialOrder < 0 || polynomialOrder >= points) {
    return `expected a polynomial order below the ${points} points, found ${polynomialOrder}`;
  }
  if (!Number.isInteger(order) || order < 0 || order > polynomialOrder) {
    return `expected a derivative order of 0 to ${polynomialOrder}, found ${order}`;
  }
  return null;
}

function dot(weights: Float64Array | undefined, values: Float64Array, from: number): number {
  let sum = 0;
  weights?.forEach((weight, j) => {
    sum += weight * (values[from + j] as number);
  });
  return sum;
}

const SETTINGS_KEPT = 32;
const kept = new Map<string, readonly Float64Array[]>();

/** Row t: weights for the t-th point of a window of `points`, by Gram polynomials (P. A. Gorry, Analytical Chemistry 62, 570, 1990). */
function windowWeights(setting: DerivativeSetting): readonly Float64Array[] {
  const { points, polynomialOrder, order } = setting;
  const key = `${points} ${polynomialOrder} ${order}`;
  const known = kept.get(key);
  if (known !== undefined) return known;
  const half = (points - 1) / 2;
  const rows = Array.from({ length: points }, (_, t) =>
    Float64Array.from({ length: points }, (_unused, i) =>
      weight(i - half, t - half, half, polynomialOrder, order),
    ),
  );
  if (kept.size >= SETTINGS_KEPT) kept.clear();
  kept.set(key, rows);
  return rows;
}

function weight(
  i: number,
  t: number,
  half: number,
  polynomial: number,
  derivative: number,
): number {
  const values = gramRow(i, half, polynomial, 0);
  const derivatives = gramRow(t, half, polynomial, derivative);
  let sum = 0;
  for (let k = 0; k <= polynomial; k++) {
    const norm =
      ((2 * k + 1) * fallingFactorial(2 * half, k)) / fallingFactorial(2 * half + k + 1, k + 1);
    sum += norm * (values[k] ?? 0) * (derivatives[k] ?? 0);
  }
  return sum;
}

/** Derivative of order `s` of the Gram polynomials of order 0 to `kMax` at `i`. */
function gramRow(i: number, half: number, kMax: number, s: number): readonly number[] {
  let below: number[] = [];
  for (let d = 0; d <= s; d++) {
    const row: number[] = [];
    for (let k = 0; k <= kMax; k++) {
      if (k === 0) {
        row.push(d === 0 ? 1 : 0);
        continue;
      }
      const a = (4 * k - 2) / (k * (2 * half - k + 1));
      const b = ((k - 1) * (2 * half + k)) / (k * (2 * half - k + 1));
      const lower = d === 0 ? 0 : d * (below[k - 1] ?? 0);
      row.push(a * (i * (row[k - 1] ?? 0) + lower) - b * (row[k - 2] ?? 0));
    }
    below = row;
  }
  return below;
}

/** a (a - 1) … over b factors. */
function fallingFactorial(a: number, b: number): number {
  let product = 1;
  for (let j = 0; j < b; j++) product *= a - j;
  return product;
}
