/**
 * Pearson's correlation coefficient in two passes; null when one of the series is constant, empty, or leaves the
 * range of a double.
 *
 * @throws RangeError for series of different lengths
 */
export function pearson(a: ArrayLike<number>, b: ArrayLike<number>): number | null {
  if (a.length !== b.length) throw new RangeError(`${a.length} values against ${b.length}`);
  const meanA = mean(a);
  const meanB = mean(b);
  let ab = 0;
  let aa = 0;
  let bb = 0;
  for (let i = 0; i < a.length; i++) {
    const x = (a[i] as number) - meanA;
    const y = (b[i] as number) - meanB;
    ab += x * y;
    aa += x * x;
    bb += y * y;
  }
  const r = ab / (Math.sqrt(aa) * Math.sqrt(bb));
  return Number.isFinite(r) ? Math.max(-1, Math.min(1, r)) : null;
}

function mean(values: ArrayLike<number>): number {
  let sum = 0;
  for (let i = 0; i < values.length; i++) sum += values[i] as number;
  return sum / values.length;
}
