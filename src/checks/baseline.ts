import type {
  AsymmetricLeastSquares,
  BaselineSetting,
  ClippedPolynomial,
} from '../site/method-treatment.js';

/**
 * Takes the baseline off a curve on an even grid, in place. A straight line is taken off first: both methods
 * find the same baseline beside it, and a curve that is nothing but a line leaves 0 and not rounding errors.
 */
export function subtractBaseline(values: Float64Array, setting: BaselineSetting): void {
  subtractLine(values);
  if (setting.kind === 'asymmetric-least-squares') subtractAsymmetric(values, setting);
  else subtractPolynomial(values, setting);
}

/** Least-squares straight line. */
function subtractLine(values: Float64Array): void {
  const n = values.length;
  const middle = (n - 1) / 2;
  let sum = 0;
  let moment = 0;
  for (let i = 0; i < n; i++) {
    sum += values[i] as number;
    moment += (i - middle) * (values[i] as number);
  }
  const mean = sum / n;
  const slope = (12 * moment) / (n * (n * n - 1));
  for (let i = 0; i < n; i++) values[i] = (values[i] as number) - mean - slope * (i - middle);
}

/**
 * Asymmetric least squares (P. H. C. Eilers, H. F. M. Boelens, 2005; formulas from memory): the curve z that
 * minimises sum w (y - z)² + smoothness · sum (second difference of z)², where w is `asymmetry` at points above
 * z and 1 - `asymmetry` elsewhere. It begins with all w = 1 and repeats as often as declared; once no
 * weight changes any more, every further round would give the same and is left out.
 */
function subtractAsymmetric(values: Float64Array, setting: AsymmetricLeastSquares): void {
  const smoothness = Number(setting.smoothness);
  const above = Number(setting.asymmetry);
  const n = values.length;
  const weights = new Float64Array(n).fill(1);
  const system = { first: new Float64Array(n), second: new Float64Array(n) };
  const inverse = new Float64Array(n);
  const z = new Float64Array(n);
  for (let round = 0; round < setting.iterations; round++) {
    if (round > 0 && !reweigh(values, z, weights, above)) break;
    solveSmooth(values, weights, smoothness, { ...system, inverse, z });
  }
  for (let i = 0; i < n; i++) values[i] = (values[i] as number) - (z[i] as number);
}

/** False when no weight changed. */
function reweigh(
  values: Float64Array,
  z: Float64Array,
  weights: Float64Array,
  above: number,
): boolean {
  let isChanged = false;
  for (let i = 0; i < values.length; i++) {
    const weight = (values[i] as number) > (z[i] as number) ? above : 1 - above;
    if (weights[i] === weight) continue;
    weights[i] = weight;
    isChanged = true;
  }
  return isChanged;
}

interface Workspace {
  readonly first: Float64Array;
  readonly second: Float64Array;
  readonly inverse: Float64Array;
  readonly z: Float64Array;
}

/** Solves (W + s D'D) z = W y, D the second differences: five diagonals, symmetric, by L D L'. */
function solveSmooth(y: Float64Array, w: Float64Array, s: number, work: Workspace): void {
  const { first, second, inverse, z } = work;
  const n = y.length;
  // Of the two rows above: their pivots, their entries one and two places right of the diagonal, their right sides.
  let [pivot1, off11, off12, right1] = [0, 0, 0, 0];
  let [pivot2, off22, right2] = [0, 0, 0];
  for (let i = 0; i < n; i++) {
    const edge = Math.min(i, n - 1 - i);
    const main = edge === 0 ? 1 : edge === 1 ? 5 : 6;
    const beside = i === n - 1 ? 0 : edge === 0 || i === n - 2 ? -2 : -4;
    const beyond = i < n - 2 ? 1 : 0;
    const weight = w[i] as number;
    const pivot = weight + s * main - off11 * off11 * pivot1 - off22 * off22 * pivot2;
    const over = 1 / pivot;
    const one = (s * beside - pivot1 * off11 * off12) * over;
    const two = s * beyond * over;
    const right = weight * (y[i] as number) - off11 * right1 - off22 * right2;
    inverse[i] = over;
    first[i] = one;
    second[i] = two;
    z[i] = right;
    pivot2 = pivot1;
    right2 = right1;
    off22 = off12;
    pivot1 = pivot;
    off11 = one;
    off12 = two;
    right1 = right;
  }
  let [after, afterNext] = [0, 0];
  for (let i = n - 1; i >= 0; i--) {
    const value =
      (z[i] as number) * (inverse[i] as number) -
      (first[i] as number) * after -
      (second[i] as number) * afterNext;
    z[i] = value;
    afterNext = after;
    after = value;
  }
}

/**
 * Clipped polynomial (C. A. Lieber, A. Mahadevan-Jansen, Applied Spectroscopy 57, 1363, 2003; from memory): a
 * least-squares polynomial is fitted, everything above it is cut down to it, and that is repeated as often as
 * declared. The last fit is the baseline.
 */
function subtractPolynomial(values: Float64Array, setting: ClippedPolynomial): void {
  const n = values.length;
  const basis = basisOf(n, Math.min(setting.order, n - 1));
  const clipped = values.slice();
  const fit = new Float64Array(n);
  for (let round = 0; round < setting.iterations; round++) {
    fit.fill(0);
    for (const member of basis) {
      let share = 0;
      for (let i = 0; i < n; i++) share += (member[i] as number) * (clipped[i] as number);
      for (let i = 0; i < n; i++) fit[i] = (fit[i] as number) + share * (member[i] as number);
    }
    let isClipped = false;
    for (let i = 0; i < n; i++) {
      if ((clipped[i] as number) <= (fit[i] as number)) continue;
      clipped[i] = fit[i] as number;
      isClipped = true;
    }
    if (!isClipped) break;
  }
  for (let i = 0; i < n; i++) values[i] = (values[i] as number) - (fit[i] as number);
}

const BASES_KEPT = 8;
const bases = new Map<string, readonly Float64Array[]>();

/** Orthonormal polynomials of order 0 to `order` on n evenly spaced points. */
function basisOf(n: number, order: number): readonly Float64Array[] {
  const key = `${n} ${order}`;
  const known = bases.get(key);
  if (known !== undefined) return known;
  const basis: Float64Array[] = [];
  for (let k = 0; k <= order; k++) {
    const below = basis[k - 1];
    const member = Float64Array.from({ length: n }, (_, i) =>
      below === undefined ? 1 : ((2 * i) / (n - 1) - 1) * (below[i] as number),
    );
    // Twice, because once leaves what rounding put back in.
    for (const other of [...basis, ...basis]) {
      let share = 0;
      for (let i = 0; i < n; i++) share += (member[i] as number) * (other[i] as number);
      for (let i = 0; i < n; i++) member[i] = (member[i] as number) - share * (other[i] as number);
    }
    const norm = normOf(member);
    for (let i = 0; i < n; i++) member[i] = (member[i] as number) / norm;
    basis.push(member);
  }
  if (bases.size >= BASES_KEPT) bases.clear();
  bases.set(key, basis);
  return basis;
}

function normOf(values: Float64Array): number {
  let squares = 0;
  for (const value of values) squares += value * value;
  return Math.sqrt(squares);
}
