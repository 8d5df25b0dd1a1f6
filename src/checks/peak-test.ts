import { holeIn, widestGap } from '../formats/axis-hole.js';
import type { FloatValues } from '../formats/float-array.js';
import type { PeakTest } from '../site/method-treatment.js';
import { fitPeak, type PeakAnswer } from './peak-fit.js';

/** What a further test of a method brings out. `unclear`: it cannot be carried out on this spectrum. */
export type TestOutcome =
  | { readonly kind: 'passed'; readonly message: string }
  | {
      readonly kind: 'failed';
      readonly message: string;
      readonly numbers: Readonly<Record<string, string>>;
    }
  | { readonly kind: 'unclear'; readonly message: string };

/** Half widths of a band's window on either side of it that tell what the axis is spaced by there. Common practice, no source. */
const NEIGHBOURHOOD = 10;

/**
 * Bands that have to be there and bands that must not be, in the spectrum as it was measured. A band counts where
 * the centre fitted to its points lies within the tolerance of the named shift; its height, over the straight
 * line fitted beneath it, is set beside that of the band named by `relativeTo`.
 *
 * @param spacing cm-1; how far the highest point of a band may lie from its centre
 */
export function testPeaks(
  test: PeakTest,
  axis: FloatValues,
  intensity: FloatValues,
  spacing: number,
): TestOutcome {
  const tolerance = Number(test.tolerance);
  const look = (shift: string) =>
    bandAt(axis, intensity, { shift: Number(shift), tolerance, spacing });
  const base = look(test.relativeTo);
  if (base.kind !== 'band') {
    const message = `the band at ${test.relativeTo} cm-1 that heights are relative to: ${base.reason}`;
    return { kind: 'failed', message, numbers: { relativeTo: test.relativeTo, found: 'none' } };
  }
  const faults: string[] = [];
  const numbers: Record<string, string> = {};
  for (const { shift, heightFrom, heightTo } of test.present) {
    const band = look(shift);
    const window = `${heightFrom} to ${heightTo}`;
    if (band.kind !== 'band') {
      faults.push(`expected a band at ${shift} cm-1: ${band.reason}`);
      numbers[shift] = `none, expected ${window}`;
      continue;
    }
    const height = band.height / base.height;
    if (height >= Number(heightFrom) && height <= Number(heightTo)) continue;
    faults.push(`the band at ${shift} cm-1 is ${shown(height)} high, expected ${window}`);
    numbers[shift] = `${shown(height)}, expected ${window}`;
  }
  for (const { shift, heightFrom } of test.absent) {
    const band = look(shift);
    if (band.kind === 'none') continue;
    const height = band.kind === 'band' ? band.height / base.height : null;
    if (height !== null && height < Number(heightFrom)) continue;
    const what = band.kind === 'band' ? `${shown(height ?? 0)} high` : band.reason;
    faults.push(`expected no band at ${shift} cm-1 of ${heightFrom} or more: ${what}`);
    numbers[shift] = `${height === null ? 'unclear' : shown(height)}, expected below ${heightFrom}`;
  }
  if (faults.length > 0) {
    const message = `${faults.join('; ')} (relative to ${test.relativeTo} cm-1, within ${test.tolerance} cm-1)`;
    return { kind: 'failed', message, numbers };
  }
  const count = test.present.length + test.absent.length;
  return { kind: 'passed', message: `all ${count} named bands as expected` };
}

type Band =
  | { readonly kind: 'band'; readonly height: number }
  | { readonly kind: 'none'; readonly reason: string }
  /** Something is there, or the trace does not say. */
  | { readonly kind: 'unclear'; readonly reason: string };

function bandAt(
  axis: FloatValues,
  intensity: FloatValues,
  at: { readonly shift: number; readonly tolerance: number; readonly spacing: number },
): Band {
  const { shift, tolerance, spacing } = at;
  const unmeasured = unmeasuredAt(axis, shift, tolerance + spacing);
  if (unmeasured !== null) return { kind: 'unclear', reason: unmeasured };
  const fit: PeakAnswer = fitPeak(axis, intensity, { near: shift, within: tolerance + spacing });
  switch (fit.kind) {
    case 'peak':
      if (Math.abs(fit.centre - shift) <= tolerance) return { kind: 'band', height: fit.height };
      return {
        kind: 'none',
        reason: `the nearest one is at ${fit.centre.toFixed(2)} cm-1, more than ${tolerance} cm-1 away`,
      };
    case 'no-peak':
    case 'too-few-points':
      return { kind: 'none', reason: fit.reason };
    case 'edge':
    case 'saturated':
    case 'unreadable':
      return { kind: 'unclear', reason: fit.reason };
  }
}

/** Where no band could be seen, none is absent. null also beside the axis, of which `fitPeak` speaks. */
function unmeasuredAt(axis: FloatValues, shift: number, within: number): string | null {
  const [from, to] = [shift - within, shift + within];
  const gap = widestGap(axis, from, to);
  const isEmpty = gap !== null && gap.after < from && gap.before > to;
  const hole = isEmpty ? gap : holeIn(axis, from, to, NEIGHBOURHOOD * within);
  return hole && `nothing was measured between ${hole.after} and ${hole.before} cm-1`;
}

function shown(height: number): string {
  return height.toFixed(4);
}
