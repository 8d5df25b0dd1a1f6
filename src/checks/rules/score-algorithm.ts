import type { ResultRule } from '../rule.js';

export const scoreAlgorithm: ResultRule = {
  info: {
    code: 'score-algorithm',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The score comes from another algorithm than registered for the method.',
    advice:
      'Scores of two algorithms cannot be compared: measure again with the registered method.',
  },
  find: ({ method, result }) => {
    if (method === null || method.algorithm === 'undisclosed' || result.score === null) return [];
    if (result.score.algorithm === method.algorithm) return [];
    const message = `registered with ${method.algorithm}, found ${result.score.algorithm}`;
    return [{ pointer: '/score/algorithm', message }];
  },
};
