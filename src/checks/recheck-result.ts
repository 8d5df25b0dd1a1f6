import type { Decimal } from '../formats/decimal.js';
import type { BundleResult } from '../intake/result-bundle.js';
import type { Method, ReferenceSpectrum } from '../site/site-folder.js';
import type { SpectrumReading } from './read-spectrum.js';
import { type Disagreement, type RecheckDetail, shownScore } from './recheck.js';
import { recheckRanking } from './recheck-ranking.js';
import { explained, saysYes, scoreDisagreement } from './recheck-score.js';
import { runIdentityTests } from './recheck-tests.js';
import type { SetReference } from './reference-set.js';
import { scoreAgainst, treatSample } from './spectral-score.js';
import type { SpectrumValues } from './spectrum-values.js';

/**
 * Recomputes a result's score from its own spectrum, compares it with what was reported, and runs what else the
 * method asks of a pass. Treatment, reference, threshold and tolerance are the registry's, never the bundle's. A
 * recheck may demote a pass; nothing it answers makes a contrary result better.
 *
 * @param references the site's set for the instrument: what margins and rankings compare with
 */
export function recheckResult(
  result: BundleResult,
  method: Method | null,
  spectrum: SpectrumReading,
  references: readonly SetReference[],
): RecheckDetail {
  if (method === null) return notRecomputable('the method is not registered');
  if (method.algorithm === 'undisclosed') {
    return notRecomputable('the registry says that the algorithm of the method is undisclosed');
  }
  if (spectrum.kind === 'none') return notRecomputable('the result carries no spectrum');
  if (spectrum.kind === 'faulty') return notRecomputable(`the spectrum: ${spectrum.fault.message}`);
  const { reference } = method;
  if (result.mode === 'identification') {
    return recheckSearch(result, method, spectrum.values, references);
  }
  const matched = result.decision === 'match' ? result.candidates[0]?.material : undefined;
  if (matched !== undefined && matched !== method.material) {
    return notRecomputable(`the method's reference is of ${method.material}, not of ${matched}`);
  }
  if (reference === null) {
    return notRecomputable('the registry holds no reference spectrum for the method');
  }
  return recheckVerification(result, { method, reference }, spectrum.values, references);
}

function recheckVerification(
  result: BundleResult,
  by: { readonly method: Method; readonly reference: ReferenceSpectrum },
  values: SpectrumValues,
  references: readonly SetReference[],
): RecheckDetail {
  const { method } = by;
  const sample = treatSample(method, values.axis, values.intensity);
  if ('kind' in sample) return notRecomputable(sample.reason);
  const scored = scoreAgainst(sample, by.reference);
  if (scored.kind === 'no-score') return notRecomputable(scored.reason);
  const shown = shownScore(scored.score);
  const found = scoreDisagreement(result, method, scored.score);
  const ofScore = found === null ? [] : [explained(found, result, by, sample, references)];
  // A score that is not there speaks for itself; the tests are of what would pass by it.
  if (!saysYes(result) || ofScore.length > 0)
    return answered(shown, ofScore, agreement(result, method, shown));
  const tests = runIdentityTests(by, sample, scored, values, references);
  if (tests.disagreements.length === 0 && tests.unclear.length > 0) {
    return notRecomputable(tests.unclear.join('; '));
  }
  const reason = [agreement(result, method, shown), ...tests.passed].join('; ');
  return answered(shown, tests.disagreements, reason);
}

function recheckSearch(
  result: BundleResult,
  method: Method,
  values: SpectrumValues,
  references: readonly SetReference[],
): RecheckDetail {
  const sample = treatSample(method, values.axis, values.intensity);
  if ('kind' in sample) return notRecomputable(sample.reason);
  const ranking = recheckRanking(result, method, sample, references);
  const { score, withoutReference, disagreements } = ranking;
  if (score === null) {
    return { ...notRecomputable(ranking.notRecomputable ?? 'nothing to rank'), withoutReference };
  }
  return { ...answered(score, disagreements, agreement(result, method, score)), withoutReference };
}

function agreement(result: BundleResult, method: Method, score: Decimal): string {
  return result.score === null
    ? `no score reported, recomputed ${score}`
    : `reported ${result.score.value}, recomputed ${score}, tolerance ${method.scoreTolerance}`;
}

function answered(
  score: Decimal,
  disagreements: readonly Disagreement[],
  agreed: string,
): RecheckDetail {
  return {
    answer: disagreements.length > 0 ? 'disagrees' : 'agrees',
    score,
    reason: disagreements.length > 0 ? disagreements.map((d) => d.message).join('; ') : agreed,
    disagreements,
    withoutReference: [],
  };
}

function notRecomputable(reason: string): RecheckDetail {
  return {
    answer: 'not-recomputable',
    score: null,
    reason,
    disagreements: [],
    withoutReference: [],
  };
}
