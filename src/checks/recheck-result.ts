import { compareDecimals, type Decimal, distanceOfDecimals } from '../formats/decimal.js';
import type { BundleResult } from '../intake/result-bundle.js';
import type { Method } from '../site/site-folder.js';
import type { SpectrumReading } from './read-spectrum.js';
import type { Recheck } from './recheck.js';
import { spectralScore } from './spectral-score.js';

const DIGITS_SHOWN = 6;

/**
 * Recomputes a result's score from its own spectrum and compares it with what was reported. Range, grid,
 * derivative, reference, threshold and tolerance are the registry's, never the bundle's. A recheck may
 * demote a pass; nothing it answers makes a contrary result better.
 */
export function recheckResult(
  result: BundleResult,
  method: Method | null,
  spectrum: SpectrumReading,
): Recheck {
  if (method === null) return notRecomputable('the method is not registered');
  if (method.algorithm === 'undisclosed') {
    return notRecomputable('the registry says that the algorithm of the method is undisclosed');
  }
  const matched = result.decision === 'match' ? result.candidates[0]?.material : undefined;
  if (matched !== undefined && matched !== method.material) {
    return notRecomputable(`the method's reference is of ${method.material}, not of ${matched}`);
  }
  if (spectrum.kind === 'none') return notRecomputable('the result carries no spectrum');
  if (spectrum.kind === 'faulty') return notRecomputable(`the spectrum: ${spectrum.fault.message}`);
  const scored = spectralScore(method, spectrum.values.axis, spectrum.values.intensity);
  if (scored.kind === 'no-score') return notRecomputable(scored.reason);
  return compare(result, method, scored.score);
}

function compare(result: BundleResult, method: Method, score: number): Recheck {
  const shown = score.toFixed(DIGITS_SHOWN) as Decimal;
  const isEnough = score >= Number(method.threshold);
  const says = result.decision === 'pass' || result.decision === 'match';
  if (says && !isEnough) {
    return disagrees(shown, `recomputed ${shown} is below the threshold ${method.threshold}`);
  }
  if (result.score !== null) {
    const distance = distanceOfDecimals(shown, result.score.value);
    if (compareDecimals(distance, method.scoreTolerance) > 0) {
      const found = `reported ${result.score.value}, recomputed ${shown}`;
      return disagrees(shown, `${found}: ${distance} apart, tolerance ${method.scoreTolerance}`);
    }
    const found = `reported ${result.score.value}, recomputed ${shown}`;
    return {
      answer: 'agrees',
      score: shown,
      reason: `${found}, tolerance ${method.scoreTolerance}`,
    };
  }
  const isDenied = result.decision === 'fail' || result.decision === 'no-match';
  if (isDenied && isEnough) {
    return disagrees(shown, `reported ${result.decision} without a score, recomputed ${shown}`);
  }
  return { answer: 'agrees', score: shown, reason: `no score reported, recomputed ${shown}` };
}

function disagrees(score: Decimal, reason: string): Recheck {
  return { answer: 'disagrees', score, reason };
}

function notRecomputable(reason: string): Recheck {
  return { answer: 'not-recomputable', score: null, reason };
}
