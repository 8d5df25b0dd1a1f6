/**
 * The vertex of the parabola through a point and its two neighbours, at whatever spacing; for an even one of h its
 * offset from the middle point is h (y-1 - y1) / (2 (y-1 - 2 y0 + y1)). Null when the middle point is not the
 * highest of the three, or the three lie on a line: nothing peaks there.
 *
 * @param axis Raman shift, cm-1, ascending
 */
export function parabolaVertex(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  index: number,
): { readonly centre: number; readonly height: number } | null {
  if (index < 1 || index > axis.length - 2) return null;
  const x = axis[index] as number;
  const y = values[index] as number;
  const left = x - (axis[index - 1] as number);
  const right = (axis[index + 1] as number) - x;
  // Slopes towards the top from both sides; the vertex lies where the slope between them is none.
  const up = (y - (values[index - 1] as number)) / left;
  const down = (y - (values[index + 1] as number)) / right;
  const curvature = (up + down) / (left + right);
  if (!(up >= 0 && down >= 0 && curvature > 0 && Number.isFinite(curvature))) return null;
  // y + slope d - curvature d², with the slope at the middle point taken from both sides.
  const slope = (up * right - down * left) / (left + right);
  const offset = slope / (2 * curvature);
  return { centre: x + offset, height: y + (slope * offset) / 2 };
}
