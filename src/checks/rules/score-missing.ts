import type { ResultRule } from '../rule.js';

export const scoreMissing: ResultRule = {
  info: {
    code: 'score-missing',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'A pass or match comes without the score it rests on.',
    advice: 'Have the instrument report scores, and measure again.',
  },
  find: ({ method, result }) => {
    const needsScore = result.decision === 'pass' || result.decision === 'match';
    if (!needsScore || result.score !== null || method?.algorithm === 'undisclosed') return [];
    return [{ pointer: '/score', message: `${result.decision} without a score` }];
  },
};
