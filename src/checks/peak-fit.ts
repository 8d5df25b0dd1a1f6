import { type Apex, findApexes } from './peak-apex.js';
import { fitLorentzian } from './peak-lorentzian.js';
import { parabolaVertex } from './peak-parabola.js';

/** One band of a sampled trace. Positions and widths in the unit of the axis, cm-1; heights in that of the trace. */
export interface PeakFit {
  readonly kind: 'peak';
  /** Of the Lorentzian fitted by least squares over a straight local baseline. */
  readonly centre: number;
  /** Of the parabola through the highest point and its neighbours: simpler, and drawn towards the points. */
  readonly parabolaCentre: number;
  /** Over the local baseline. */
  readonly height: number;
  /** Full width at half height. */
  readonly fwhm: number;
  /** Root mean square distance between points and curve, as a share of the height: 0 is a perfect Lorentzian. */
  readonly residual: number;
  /** Index of the highest point. */
  readonly index: number;
  /** Points the fit rests on. */
  readonly points: number;
}

/** Why there is no centre. None of these is a position of 0. */
export interface NoPeak {
  readonly kind:
    | 'no-peak'
    /** The axis ends within what would have to be looked at. */
    | 'edge'
    | 'too-few-points'
    /** Three or more equal points are the top: the detector or the converter was at its limit. */
    | 'saturated'
    /** Values that are no numbers, or an axis that does not ascend. */
    | 'unreadable';
  readonly reason: string;
}

export type PeakAnswer = PeakFit | NoPeak;

/** Points on each side of the top that a fit needs at least, and how many half widths it reaches out. */
const SIDE_POINTS_MIN = 2;
const FIT_POINTS_MIN = 6;
const REACH_HALF_WIDTHS = 2.5;
const PLATEAU_POINTS = 3;
/** A band must stand this many times over what the fit leaves unexplained. */
const HEIGHT_OVER_RESIDUAL_MIN = 3;
/** Points looked at around one band: more than any spectrometer samples, few enough to stay cheap. */
const REGION_POINTS_MAX = 8192;

/**
 * Finds the band nearest to where one is expected and fits its centre. Of several local maxima within `within` of
 * `near` the one that stands out most is taken. Never throws, whatever the values are; looks at nothing that is
 * further than three times `within` away.
 *
 * @param axis Raman shift, cm-1, strictly ascending
 * @param options near and within in cm-1
 */
export function fitPeak(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  options: { readonly near: number; readonly within: number },
): PeakAnswer {
  const { near, within } = options;
  if (!Number.isFinite(near) || !(within > 0) || axis.length !== values.length) {
    return none('unreadable', 'expected a position, a distance and as many values as axis points');
  }
  const count = axis.length;
  if (count < 3) return none('too-few-points', `${count} points hold no band`);
  if (!((axis[0] as number) <= near - within && (axis[count - 1] as number) >= near + within)) {
    return none('edge', `the axis does not cover ${within} cm-1 on both sides of ${near} cm-1`);
  }
  const first = atOrAfter(axis, near - 3 * within);
  const last = Math.min(atOrAfter(axis, near + 3 * within), count - 1);
  const fault = regionFault(axis, values, first, last);
  if (fault !== null) return fault;
  let best: Apex | null = null;
  for (const apex of findApexes(values, first, last)) {
    if (Math.abs((axis[apex.index] as number) - near) > within) continue;
    if (best === null || apex.prominence > best.prominence) best = apex;
  }
  if (best === null) return none('no-peak', `no maximum within ${within} cm-1 of ${near} cm-1`);
  return fitAt(axis, values, best, { first, last });
}

/**
 * Every band of a trace that stands out by `prominenceMin` at least (in the unit of the trace; a multiple of its
 * noise is a sensible choice), fitted, in the order of the axis. Of more than `countMax` the most prominent ones. A
 * maximum that cannot be fitted is in the list with the reason.
 */
export function findPeaks(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  options: { readonly prominenceMin: number; readonly countMax: number },
): readonly { readonly apex: Apex; readonly fit: PeakAnswer }[] {
  const count = Math.min(axis.length, values.length);
  if (count < 3) return [];
  const standing = findApexes(values, 0, count - 1)
    .filter((apex) => apex.prominence >= options.prominenceMin)
    .sort((a, b) => b.prominence - a.prominence)
    .slice(0, options.countMax)
    .sort((a, b) => a.index - b.index);
  return standing.map((apex) => {
    const half = REGION_POINTS_MAX / 2;
    const first = Math.max(0, apex.index - half + 1);
    const last = Math.min(count - 1, apex.index + half - 1);
    const fault = regionFault(axis, values, first, last);
    return { apex, fit: fault ?? fitAt(axis, values, apex, { first, last }) };
  });
}

function fitAt(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  apex: Apex,
  region: { readonly first: number; readonly last: number },
): PeakAnswer {
  const { index, width, prominence } = apex;
  const at = axis[index] as number;
  if (!(prominence > 0)) return none('no-peak', `the trace is flat around ${at} cm-1`);
  if (width >= PLATEAU_POINTS) {
    return none('saturated', `${width} equal values are the top at ${at} cm-1`);
  }
  const shape = shapeOf(axis, values, apex, region);
  const { first, last } = shape;
  if (index - first < SIDE_POINTS_MIN || last - index < SIDE_POINTS_MIN) {
    const isAtEnd = first === 0 || last === axis.length - 1;
    return none(
      isAtEnd ? 'edge' : 'too-few-points',
      `the band at ${at} cm-1 has ${index - first} points before and ${last - index} after its top`,
    );
  }
  const points = last - first + 1;
  if (points < FIT_POINTS_MIN) {
    return none('too-few-points', `the band at ${at} cm-1 is ${points} points wide`);
  }
  const vertex = parabolaVertex(axis, values, index);
  const fit = fitLorentzian(axis, values, shape, {
    centre: vertex?.centre ?? at,
    height: prominence,
    halfWidth: shape.halfWidth,
    baseline: (values[index] as number) - prominence,
  });
  const isInside =
    fit !== null && fit.centre > (axis[first] as number) && fit.centre < (axis[last] as number);
  if (fit === null || !isInside) return none('no-peak', `no band fits the maximum at ${at} cm-1`);
  const spacing = ((axis[index + 1] as number) - (axis[index - 1] as number)) / 2;
  if (fit.fwhm < spacing) {
    return none('too-few-points', `the maximum at ${at} cm-1 is narrower than the axis is sampled`);
  }
  if (fit.height < HEIGHT_OVER_RESIDUAL_MIN * fit.residual) {
    return none('no-peak', `the maximum at ${at} cm-1 does not stand out of its surroundings`);
  }
  return {
    kind: 'peak',
    centre: fit.centre,
    parabolaCentre: vertex?.centre ?? at,
    height: fit.height,
    fwhm: fit.fwhm,
    residual: fit.residual / fit.height,
    index,
    points,
  };
}

/**
 * The points that belong to a band: a few half widths to each side, cut where the trace is lowest before it rises
 * to a neighbour. The half width is read where the trace has fallen by half of what the band stands out.
 */
function shapeOf(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  { index, prominence }: Apex,
  region: { readonly first: number; readonly last: number },
): { readonly first: number; readonly last: number; readonly halfWidth: number } {
  const half = (values[index] as number) - prominence / 2;
  const left = widthTo(axis, values, index, region.first, half);
  const right = widthTo(axis, values, index, region.last, half);
  const halfWidth = Math.min(left, right);
  const reach = REACH_HALF_WIDTHS * halfWidth;
  return {
    first: lowestWithin(axis, values, index, region.first, reach),
    last: lowestWithin(axis, values, index, region.last, reach),
    halfWidth,
  };
}

function widthTo(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  index: number,
  end: number,
  level: number,
): number {
  const step = end < index ? -1 : 1;
  for (let i = index + step; step * (end - i) >= 0; i += step) {
    const y = values[i] as number;
    if (y > level) continue;
    const inner = values[i - step] as number;
    const share = (inner - level) / (inner - y);
    const x =
      (axis[i - step] as number) + share * ((axis[i] as number) - (axis[i - step] as number));
    return Math.abs(x - (axis[index] as number));
  }
  return Math.abs((axis[end] as number) - (axis[index] as number));
}

/** The lowest point within reach, and never fewer points than a fit needs where the trace has them. */
function lowestWithin(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  index: number,
  end: number,
  reach: number,
): number {
  const step = end < index ? -1 : 1;
  let lowest = index;
  for (let i = index + step; step * (end - i) >= 0; i += step) {
    const isNear = Math.abs((axis[i] as number) - (axis[index] as number)) <= reach;
    if (!isNear && Math.abs(i - index) > SIDE_POINTS_MIN + 1) break;
    if ((values[i] as number) <= (values[lowest] as number)) lowest = i;
  }
  return lowest;
}

function regionFault(
  axis: ArrayLike<number>,
  values: ArrayLike<number>,
  first: number,
  last: number,
): NoPeak | null {
  const points = last - first + 1;
  if (points > REGION_POINTS_MAX) {
    return none('unreadable', `${points} points around one band, at most ${REGION_POINTS_MAX}`);
  }
  for (let i = first; i <= last; i++) {
    if (!Number.isFinite(values[i])) return none('unreadable', `value ${i} is ${values[i]}`);
    if (i > first && !((axis[i] as number) > (axis[i - 1] as number))) {
      return none('unreadable', `the axis does not ascend at point ${i}`);
    }
  }
  return null;
}

/** Index of the first point at or after a position, by halving; the axis ascends. */
function atOrAfter(axis: ArrayLike<number>, position: number): number {
  let low = 0;
  let high = axis.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((axis[middle] as number) < position) low = middle + 1;
    else high = middle;
  }
  return low;
}

function none(kind: NoPeak['kind'], reason: string): NoPeak {
  return { kind, reason };
}
