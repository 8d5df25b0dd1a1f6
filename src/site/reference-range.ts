import { type Hole, holeIn } from '../formats/axis-hole.js';
import type { Region } from './signal-limits.js';
import type { RuleFault, SiteFault } from './site-fault.js';
import type { ReferenceSpectrum } from './site-folder.js';

/** What a curve has to cover, and for whom: `the method ID-1`, `the packaging liner`. */
export interface Stretch {
  readonly of: string;
  readonly range: Region;
}

/** A curve is never extrapolated: the reference has to reach over the region in full. */
export function rangeFaults(
  { of, range }: Stretch,
  reference: ReferenceSpectrum,
  path: RuleFault['path'],
): RuleFault[] {
  if (reachesOver(reference, range)) return [];
  const [first, last] = [reference.axis[0], reference.axis.at(-1)];
  return [
    {
      path,
      rule: 'reference-too-short',
      message: `the reference runs from ${first} to ${last} cm-1, ${of} from ${range.from} to ${range.to}`,
      remedy: 'Store a longer curve, or narrow the range.',
    },
  ];
}

/**
 * Nor is it interpolated over a hole (`holeIn`, as spectra are judged by): what lies in one would be invented, so every recheck
 * by it would fail.
 */
export function holeFault(
  { of, range }: Stretch,
  reference: ReferenceSpectrum,
): (Pick<SiteFault, 'rule' | 'message' | 'remedy'> & { readonly hole: Hole }) | null {
  const hole = holeOf(reference, range);
  if (hole === null) return null;
  const { after, before, spacing } = hole;
  return {
    hole,
    rule: 'reference-hole',
    message: `no point between ${after} and ${before} cm-1, where others lie ${spacing} apart: ${of} needs points throughout ${range.from} to ${range.to}`,
    remedy: 'Store the curve with all of its points, or narrow the range to one side of the hole.',
  };
}

/** True when a curve reaches over a region and has no hole in it. */
export function coversRange(reference: ReferenceSpectrum, range: Region): boolean {
  return reachesOver(reference, range) && holeOf(reference, range) === null;
}

function reachesOver({ axis }: ReferenceSpectrum, range: Region): boolean {
  const [first, last] = [axis[0] ?? Number.NaN, axis.at(-1) ?? Number.NaN];
  return first <= Number(range.from) && last >= Number(range.to);
}

function holeOf({ axis }: ReferenceSpectrum, range: Region): Hole | null {
  return holeIn(axis, Number(range.from), Number(range.to));
}
