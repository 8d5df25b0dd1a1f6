/**
 * Position of the highest point within `window` of `near`, refined by the parabola through it and its two
 * neighbours: offset = h (y-1 - y1) / (2 (y-1 - 2 y0 + y1)) for an even axis of step h. Null when the highest
 * point stands at the window's edge, for then nothing peaks there.
 */
export function findPeak(
  axis: ArrayLike<number>,
  intensity: ArrayLike<number>,
  near: number,
  window: number,
): number | null {
  let highest = -1;
  let first = -1;
  let last = -1;
  for (let i = 0; i < axis.length; i += 1) {
    const x = axis[i] as number;
    if (Math.abs(x - near) > window) continue;
    if (first === -1) first = i;
    last = i;
    if (highest === -1 || (intensity[i] as number) > (intensity[highest] as number)) highest = i;
  }
  if (highest <= first || highest >= last) return null;
  const before = intensity[highest - 1] as number;
  const top = intensity[highest] as number;
  const after = intensity[highest + 1] as number;
  const step = (axis[highest + 1] as number) - (axis[highest] as number);
  const curvature = before - 2 * top + after;
  if (curvature === 0) return axis[highest] as number;
  return (axis[highest] as number) + (step * (before - after)) / (2 * curvature);
}
