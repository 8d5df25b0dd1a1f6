import { compareDecimals, type Decimal, distanceOfDecimals } from '../formats/decimal.js';
import type { BundleResult } from '../intake/result-bundle.js';
import type { Method, ReferenceSpectrum } from '../site/site-folder.js';
import { type Disagreement, shownScore } from './recheck.js';
import {
  type RankedMaterial,
  rankMaterials,
  referencesOfOthers,
  type SetReference,
} from './reference-set.js';
import { bestSlide, type Sample } from './spectral-score.js';

/** True for the decisions that a recheck has to bear out before anything may rest on them. */
export function saysYes(result: BundleResult): boolean {
  return result.decision === 'pass' || result.decision === 'match';
}

/**
 * How the recomputed score stands to the reported decision and score; null when nothing speaks against them. The
 * threshold is compared unrounded: 0.8999999 is below 0.90, however it is shown.
 */
export function scoreDisagreement(
  result: BundleResult,
  method: Method,
  recomputed: number,
): Disagreement | null {
  const score = shownScore(recomputed);
  const isEnough = recomputed >= Number(method.threshold);
  const against = (message: string): Disagreement => ({
    test: 'score',
    pointer: result.score === null ? '/decision' : '/score/value',
    message,
    numbers: scoreNumbers(result, method, score),
  });
  if (saysYes(result) && !isEnough) {
    return against(`recomputed ${score} is below the threshold ${method.threshold}`);
  }
  if (result.score !== null) {
    const distance = distanceOfDecimals(score, result.score.value);
    if (compareDecimals(distance, method.scoreTolerance) <= 0) return null;
    const found = `reported ${result.score.value}, recomputed ${score}`;
    return against(`${found}: ${distance} apart, tolerance ${method.scoreTolerance}`);
  }
  const isDenied = result.decision === 'fail' || result.decision === 'no-match';
  if (!isDenied || !isEnough) return null;
  return against(`reported ${result.decision} without a score, recomputed ${score}`);
}

/** How far beyond its allowance a curve is moved to find out whether its axis explains a disagreement, cm-1. */
const LOOK_FURTHER = 15;
/** A shift below this explains nothing that the tolerance of an axis would not, cm-1. */
const SHIFT_MIN = 2;

/**
 * What most likely lies behind a positive result that its own spectrum does not bear out, said by a code of its own:
 * the spectrum is that of another material, or it would bear out the score if its axis were moved. Whatever it is,
 * the result does not stand.
 */
export function explained(
  disagreement: Disagreement,
  result: BundleResult,
  by: { readonly method: Method; readonly reference: ReferenceSpectrum },
  sample: Sample,
  references: readonly SetReference[],
): Disagreement {
  if (!saysYes(result)) return disagreement;
  const { method, reference } = by;
  const other = otherMaterial(sample, method, references);
  if (other !== undefined) return ofOther(disagreement, method, other);
  return ofAxis(disagreement, result, method, sample, reference) ?? disagreement;
}

function otherMaterial(
  sample: Sample,
  method: Method,
  references: readonly SetReference[],
): RankedMaterial | undefined {
  const [best] = rankMaterials(sample, referencesOfOthers(method, references)).ranked;
  return best !== undefined && best.score >= Number(method.threshold) ? best : undefined;
}

function ofOther(
  disagreement: Disagreement,
  method: Method,
  { material, name, score }: RankedMaterial,
): Disagreement {
  const shown = shownScore(score);
  return {
    test: 'other-material',
    pointer: '/spectrum',
    message: `${disagreement.message}; against ${name} of ${material} the spectrum scores ${shown}, expected ${method.material}`,
    numbers: { ...disagreement.numbers, otherMaterial: material, otherScore: shown },
  };
}

function ofAxis(
  disagreement: Disagreement,
  result: BundleResult,
  method: Method,
  sample: Sample,
  reference: ReferenceSpectrum,
): Disagreement | null {
  const moved = bestSlide(sample, reference, LOOK_FURTHER);
  if (moved === null || Math.abs(moved.shift) < SHIFT_MIN) return null;
  const shown = shownScore(moved.score);
  const reported = result.score?.value ?? null;
  const isBorneOut =
    moved.score >= Number(method.threshold) &&
    (reported === null ||
      compareDecimals(distanceOfDecimals(shown, reported), method.scoreTolerance) <= 0);
  if (!isBorneOut) return null;
  const shift = String(Number(moved.shift.toFixed(4)));
  return {
    test: 'axis',
    pointer: '/spectrum/axis',
    message: `${disagreement.message}; its bands lie ${shift} cm-1 beside those of the reference, and with that taken off it scores about ${shown}`,
    numbers: { ...disagreement.numbers, shift, scoreMoved: shown },
  };
}

export function scoreNumbers(
  result: BundleResult,
  method: Method,
  score: Decimal | null,
): Record<string, string> {
  return {
    recomputed: score ?? 'none',
    reported: result.score?.value ?? 'none',
    threshold: method.threshold,
    tolerance: method.scoreTolerance,
  };
}
