import type { Decimal } from '../formats/decimal.js';
import type { BundleResult } from '../intake/result-bundle.js';
import type { Method } from '../site/site-folder.js';
import { type Disagreement, shownScore } from './recheck.js';
import { saysYes, scoreDisagreement } from './recheck-score.js';
import { type RankedMaterial, rankMaterials, type SetReference } from './reference-set.js';
import type { Sample } from './spectral-score.js';

export interface RankingRecheck {
  /** Score of the reported winner, or of the best material when none is reported; null when there is none. */
  readonly score: Decimal | null;
  /** Why the ranking cannot be recomputed, or null. */
  readonly notRecomputable: string | null;
  readonly disagreements: readonly Disagreement[];
  readonly withoutReference: readonly number[];
}

/**
 * Recomputes the ranking of an unknown search: the spectrum against every reference of the site's set, by the
 * method's treatment. A match has to name the material that scores best, reach the threshold, and lie ahead of the
 * next material by the margin that the method asks for.
 */
export function recheckRanking(
  result: BundleResult,
  method: Method,
  sample: Sample,
  references: readonly SetReference[],
): RankingRecheck {
  const { ranked } = rankMaterials(sample, references);
  const scores = new Map(ranked.map((entry) => [entry.material, entry]));
  const withoutReference = result.candidates.flatMap(({ material }, index) =>
    scores.has(material) ? [] : [index],
  );
  const none = { score: null, disagreements: [], withoutReference };
  const reported = result.candidates[0]?.material;
  const winner = reported === undefined ? ranked[0] : scores.get(reported);
  if (winner === undefined) {
    const notRecomputable =
      reported === undefined
        ? 'the reference set holds no spectrum that can be scored'
        : `the reference set holds no spectrum of ${reported} that can be scored`;
    return { ...none, notRecomputable };
  }
  const score = shownScore(winner.score);
  const ofScore = scoreDisagreement(result, method, winner.score);
  if (!saysYes(result)) {
    const disagreements = ofScore === null ? [] : [ofScore];
    return { score, notRecomputable: null, disagreements, withoutReference };
  }
  // Behind another winner there is no lead to judge, and its own score says nothing more.
  const beaten = otherWinner(winner, ranked);
  const disagreements =
    beaten.length > 0
      ? beaten
      : [
          ...nearTie(winner, ranked, method.asks?.margin ?? null),
          ...belowThreshold(winner, method),
        ];
  // What is said by a code of the ranking is not said again by the score.
  if (disagreements.length === 0 && ofScore !== null) disagreements.push(ofScore);
  return { score, notRecomputable: null, disagreements, withoutReference };
}

function otherWinner(winner: RankedMaterial, ranked: readonly RankedMaterial[]): Disagreement[] {
  const [best] = ranked;
  if (best === undefined || best.score <= winner.score) return [];
  const [score, bestScore] = [shownScore(winner.score), shownScore(best.score)];
  return [
    {
      test: 'winner',
      pointer: '/candidates/0/material',
      message: `reported ${winner.material}, recomputed ${score}; ${best.name} of ${best.material} scores ${bestScore}`,
      numbers: { reported: winner.material, score, best: best.material, bestScore },
    },
  ];
}

function nearTie(
  winner: RankedMaterial,
  ranked: readonly RankedMaterial[],
  margin: Decimal | null,
): Disagreement[] {
  const next = ranked.find(({ material }) => material !== winner.material);
  if (margin === null || next === undefined) return [];
  const lead = shownScore(winner.score - next.score);
  if (winner.score - next.score >= Number(margin)) return [];
  return [
    {
      test: 'near-tie',
      pointer: '/candidates/0/score',
      message: `${winner.material} is ${lead} ahead of ${next.material} (${next.name}), expected ${margin} or more`,
      numbers: { lead, margin, next: next.material, nextScore: shownScore(next.score) },
    },
  ];
}

function belowThreshold(winner: RankedMaterial, method: Method): Disagreement[] {
  if (winner.score >= Number(method.threshold)) return [];
  const score = shownScore(winner.score);
  return [
    {
      test: 'below-threshold',
      pointer: '/decision',
      message: `a match at recomputed ${score}, below the threshold ${method.threshold}`,
      numbers: { recomputed: score, threshold: method.threshold },
    },
  ];
}
