import type { FloatValues } from './float-array.js';

/** Neighbouring points with nothing measured between them, cm-1. */
export interface Hole {
  readonly after: number;
  readonly before: number;
  /** What the axis is spaced by around it: the median. */
  readonly spacing: number;
}

/**
 * Times the median spacing that neighbouring points may lie apart: one or two points may be left out, such as bad pixels.
 * The steps of a spectrometer's own axis grow by a factor of about two from end to end; the widest of 44 measured axes is
 * 1.43 times its median. Common practice, no source.
 */
const GAP_MULTIPLE_MAX = 3;
/** Steps that are the same differ by less when they are rounded to float32. */
const GAP_HAIR = 1e-3;
/** Gaps that a median is taken over at least: a stretch that lies in one gap has no other to be compared with. */
const GAPS_MIN = 9;

/**
 * The widest gap between neighbouring points of a stretch, where it is more than three times their median spacing. Gaps
 * that reach beyond an end of the stretch belong to it. The median of a stretch of few gaps is taken over those beside it too.
 *
 * @param around cm-1 on either side of a short stretch that the median is taken over too
 */
export function holeIn(axis: FloatValues, from: number, to: number, around = 0): Hole | null {
  const gap = widestGap(axis, from, to);
  if (gap === null) return null;
  const most = (gap.before - gap.after) / (GAP_MULTIPLE_MAX * (1 + GAP_HAIR));
  const { first, end } = widened(pointsOf(axis, from - around, to + around), axis.length - 1);
  // The median is no less than the narrowest gap: most axes need none.
  if (narrowestGap(axis, first, end) >= most) return null;
  const gaps = new Float64Array(end - first);
  for (let i = 0; i < gaps.length; i++) gaps[i] = gapAfter(axis, first + i);
  const spacing = gaps.sort()[gaps.length >> 1] as number;
  return spacing < most ? { ...gap, spacing } : null;
}

/** As many gaps on either side as it takes, where the axis has them. */
function widened({ first, end }: { first: number; end: number }, gaps: number) {
  const missing = Math.max(0, GAPS_MIN - (end - first));
  const before = Math.ceil(missing / 2);
  return { first: Math.max(0, first - before), end: Math.min(gaps, end + before) };
}

function narrowestGap(axis: FloatValues, first: number, end: number): number {
  let narrowest = Number.POSITIVE_INFINITY;
  for (let i = first; i < end; i++) {
    const width = gapAfter(axis, i);
    if (width < narrowest) narrowest = width;
  }
  return narrowest;
}

/** The widest gap of a stretch; null where the stretch lies beside the axis. */
export function widestGap(
  axis: FloatValues,
  from: number,
  to: number,
): Omit<Hole, 'spacing'> | null {
  const { first, end } = pointsOf(axis, from, to);
  let [at, widest] = [-1, 0];
  for (let i = first; i < end; i++) {
    const width = gapAfter(axis, i);
    if (width > widest) [at, widest] = [i, width];
  }
  return at < 0 ? null : { after: axis[at] as number, before: axis[at + 1] as number };
}

/** Points whose gap to the next one shares more than an end with a stretch: from `first` to before `end`. */
function pointsOf(axis: FloatValues, from: number, to: number) {
  const last = axis.length - 1;
  let first = 0;
  while (first < last && (axis[first + 1] as number) <= from) first++;
  let end = first;
  while (end < last && (axis[end] as number) < to) end++;
  return { first, end };
}

function gapAfter(axis: FloatValues, index: number): number {
  return (axis[index + 1] as number) - (axis[index] as number);
}
