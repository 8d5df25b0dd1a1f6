import { compareDecimals } from '../../formats/decimal.js';
import type { ResultRule } from '../rule.js';

export const candidatesOrder: ResultRule = {
  info: {
    code: 'candidates-order',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The candidates are not ranked, so the first is not surely the best.',
    advice: 'Find out at the instrument which material it found.',
  },
  find: ({ result }) =>
    result.candidates.flatMap((candidate, index) => {
      const before = result.candidates[index - 1];
      if (before === undefined || compareDecimals(candidate.score, before.score) <= 0) return [];
      const message = `${candidate.material} with ${candidate.score} stands behind ${before.material} with ${before.score}`;
      return [{ pointer: `/candidates/${index}/score`, message }];
    }),
};
