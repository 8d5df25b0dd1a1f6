import { compareDecimals } from '../../formats/decimal.js';
import type { ResultRule } from '../rule.js';

/** Unrounded, digit by digit: 0.8999 is below 0.90, and 0.90 is not. */
export const decisionScore: ResultRule = {
  info: {
    code: 'decision-score',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The decision does not follow from score and threshold.',
    advice: 'Find out at the instrument how it decided; do not correct either by hand.',
    limit: "the method's threshold in site.yaml",
  },
  find: ({ method, result }) => {
    if (result.score === null) return [];
    const threshold = result.score.threshold ?? method?.threshold ?? null;
    if (threshold === null) return [];
    const isEnough = compareDecimals(result.score.value, threshold) >= 0;
    const says = result.decision === 'pass' || result.decision === 'match';
    const denies = result.decision === 'fail' || result.decision === 'no-match';
    if ((!says || isEnough) && (!denies || !isEnough)) return [];
    return [
      {
        pointer: '/decision',
        message: `${result.decision} with score ${result.score.value} against threshold ${threshold}`,
        numbers: { score: result.score.value, threshold },
      },
    ];
  },
};
