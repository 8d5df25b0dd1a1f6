/**
 * Where a sampled trace has local maxima, and how far each stands out. A maximum may be several equal points
 * wide; its place is the middle one of them.
 */
export interface Apex {
  readonly index: number;
  /** How many equal points the top is wide. */
  readonly width: number;
  /**
   * Height over the higher of the two lowest points that lie between it and anything higher, or the end of what
   * is looked at. In the unit of the trace.
   */
  readonly prominence: number;
}

/**
 * Every local maximum between two points of the trace, both included, in the order of the axis. The first and
 * the last point are none: nobody knows what lies beyond. Takes time in proportion to the points.
 */
export function findApexes(values: ArrayLike<number>, first: number, last: number): Apex[] {
  const floorLeft = floors(values, first, last, 1);
  const floorRight = floors(values, last, first, -1);
  const found: Apex[] = [];
  let start = first;
  for (let i = first + 1; i <= last; i++) {
    const before = values[i - 1] as number;
    const here = values[i] as number;
    if (here === before) continue;
    // A top begins where the trace rises and ends where it falls; `start` is where its equal points began.
    if (here < before && start > first) {
      const index = start + Math.floor((i - 1 - start) / 2);
      const floor = Math.max(
        floorLeft[start - first] as number,
        floorRight[last - (i - 1)] as number,
      );
      found.push({ index, width: i - start, prominence: before - floor });
    }
    start = here > before ? i : first;
  }
  return found;
}

/**
 * For every point, going from `from` to `to`: the lowest value since the last one that was higher than it. One
 * pass with a stack of the values that nothing higher has followed yet.
 */
function floors(values: ArrayLike<number>, from: number, to: number, step: 1 | -1): Float64Array {
  const count = Math.abs(to - from) + 1;
  const lowest = new Float64Array(count);
  const higher = new Int32Array(count);
  const since = new Float64Array(count);
  let depth = 0;
  for (let k = 0; k < count; k++) {
    const value = values[from + k * step] as number;
    let floor = value;
    while (depth > 0 && (values[from + (higher[depth - 1] as number) * step] as number) <= value) {
      depth -= 1;
      floor = Math.min(floor, since[depth] as number);
    }
    lowest[k] = floor;
    higher[depth] = k;
    // What was lowest before the points that were just passed over belongs to whoever passes over this one.
    since[depth] = floor;
    depth += 1;
  }
  return lowest;
}
