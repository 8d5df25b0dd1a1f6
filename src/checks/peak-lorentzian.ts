/** A Lorentzian band over a straight baseline, fitted to sampled points. */
export interface LorentzianFit {
  readonly centre: number;
  /** Over the baseline, at the centre. */
  readonly height: number;
  /** Full width at half height. */
  readonly fwhm: number;
  /** The baseline under the centre. */
  readonly baseline: number;
  /** Root of the mean square distance between points and curve, with the five parameters taken off the count. */
  readonly residual: number;
}

export interface LorentzianGuess {
  readonly centre: number;
  readonly height: number;
  readonly halfWidth: number;
  readonly baseline: number;
}

/** Centre, half width, height, baseline at the first guess of the centre, slope of the baseline. */
type Curve = readonly [number, number, number, number, number];

const PARAMETERS = 5;
const ROUNDS_MAX = 100;
/** Change of centre and width, beside the width, below which a round changes nothing. */
const STILL = 1e-9;

/**
 * Least squares by the method of Levenberg and Marquardt (D. W. Marquardt, J. Soc. Indust. Appl. Math. 11, 431,
 * 1963). Null when it finds no band that stands up, or the points are fewer than six. Bounded: a hundred rounds.
 *
 * @param first, last points of the trace to fit, both included
 */
export function fitLorentzian(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  range: { readonly first: number; readonly last: number },
  guess: LorentzianGuess,
): LorentzianFit | null {
  const count = range.last - range.first + 1;
  if (count <= PARAMETERS || !(guess.halfWidth > 0) || !(guess.height > 0)) return null;
  // In units of the guess every parameter is near 0 or 1, so that one step size suits them all.
  const x = new Float64Array(count);
  const y = new Float64Array(count);
  for (let i = 0; i < count; i++) {
    x[i] = ((axis[range.first + i] as number) - guess.centre) / guess.halfWidth;
    y[i] = ((values[range.first + i] as number) - guess.baseline) / guess.height;
  }
  const fitted = descend(x, y);
  if (fitted === null) return null;
  const [centre, width, height, level, slope] = fitted.at;
  const fit = {
    centre: guess.centre + centre * guess.halfWidth,
    height: height * guess.height,
    fwhm: 2 * Math.abs(width) * guess.halfWidth,
    baseline: guess.baseline + (level + slope * centre) * guess.height,
    residual: Math.sqrt(fitted.squares / (count - PARAMETERS)) * guess.height,
  };
  return Object.values(fit).every(Number.isFinite) && fit.height > 0 && fit.fwhm > 0 ? fit : null;
}

interface Descent {
  readonly at: Curve;
  readonly squares: number;
}

function descend(x: Float64Array, y: Float64Array): Descent | null {
  let at: Curve = [0, 1, 1, 0, 0];
  let squares = sumOfSquares(x, y, at);
  let damping = 1e-3;
  for (let round = 0; round < ROUNDS_MAX; round++) {
    const { matrix, gradient } = normalEquations(x, y, at);
    const step = solve(matrix, gradient, damping);
    if (step === null) return null;
    const next = moved(at, step);
    const after = sumOfSquares(x, y, next);
    if (!Number.isFinite(after) || after > squares) {
      damping *= 10;
      // No direction leads down any more: this is the lowest place.
      if (damping > 1e12) return { at, squares };
      continue;
    }
    const change = Math.max(Math.abs(step[0] as number), Math.abs(step[1] as number));
    at = next;
    squares = after;
    damping = Math.max(damping / 10, 1e-12);
    if (change < STILL * Math.abs(at[1])) return { at, squares };
  }
  return null;
}

function moved(at: Curve, step: readonly number[]): Curve {
  const [a = 0, b = 0, c = 0, d = 0, e = 0] = step;
  return [at[0] + a, at[1] + b, at[2] + c, at[3] + d, at[4] + e];
}

function sumOfSquares(x: Float64Array, y: Float64Array, at: Curve): number {
  const [centre, width, height, level, slope] = at;
  let sum = 0;
  for (let i = 0; i < x.length; i++) {
    const here = x[i] as number;
    const d = (here - centre) / width;
    const curve = height / (1 + d * d) + level + slope * here;
    const distance = (y[i] as number) - curve;
    sum += distance * distance;
  }
  return sum;
}

function normalEquations(
  x: Float64Array,
  y: Float64Array,
  at: Curve,
): { readonly matrix: number[][]; readonly gradient: number[] } {
  const [centre, width, height, level, slope] = at;
  const matrix = Array.from({ length: PARAMETERS }, () => new Array<number>(PARAMETERS).fill(0));
  const gradient = new Array<number>(PARAMETERS).fill(0);
  const partial = new Float64Array(PARAMETERS);
  for (let i = 0; i < x.length; i++) {
    const here = x[i] as number;
    const d = (here - centre) / width;
    const band = 1 / (1 + d * d);
    const steep = (2 * height * d * band * band) / width;
    partial[0] = steep;
    partial[1] = steep * d;
    partial[2] = band;
    partial[3] = 1;
    partial[4] = here;
    const curve = height * band + level + slope * here;
    const distance = (y[i] as number) - curve;
    for (let p = 0; p < PARAMETERS; p++) {
      const row = matrix[p] as number[];
      gradient[p] = (gradient[p] as number) + (partial[p] as number) * distance;
      for (let q = 0; q < PARAMETERS; q++) {
        row[q] = (row[q] as number) + (partial[p] as number) * (partial[q] as number);
      }
    }
  }
  return { matrix, gradient };
}

/** Gauss elimination with the largest pivot of each column; null when the equations say nothing. */
function solve(matrix: number[][], gradient: number[], damping: number): number[] | null {
  const rows = matrix.map((row, p) => {
    const own = [...row, gradient[p] as number];
    own[p] = (own[p] as number) * (1 + damping) + Number.MIN_VALUE;
    return own;
  });
  for (let p = 0; p < PARAMETERS; p++) {
    let pivot = p;
    for (let r = p + 1; r < PARAMETERS; r++) {
      if (Math.abs(rows[r]?.[p] as number) > Math.abs(rows[pivot]?.[p] as number)) pivot = r;
    }
    const top = rows[pivot] as number[];
    rows[pivot] = rows[p] as number[];
    rows[p] = top;
    if (!(Math.abs(top[p] as number) > 0)) return null;
    for (let r = p + 1; r < PARAMETERS; r++) {
      const row = rows[r] as number[];
      const share = (row[p] as number) / (top[p] as number);
      for (let c = p; c <= PARAMETERS; c++) {
        row[c] = (row[c] as number) - share * (top[c] as number);
      }
    }
  }
  const step = new Array<number>(PARAMETERS).fill(0);
  for (let p = PARAMETERS - 1; p >= 0; p--) {
    const row = rows[p] as number[];
    let rest = row[PARAMETERS] as number;
    for (let c = p + 1; c < PARAMETERS; c++) rest -= (row[c] as number) * (step[c] as number);
    step[p] = rest / (row[p] as number);
  }
  return step.every(Number.isFinite) ? step : null;
}
