import type { ResultRule } from '../rule.js';

export const resultDouble: ResultRule = {
  info: {
    code: 'result-double',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The bundle holds two results under one id.',
    advice: 'Find out at the instrument which of them was measured; neither counts until then.',
  },
  find: ({ bundle, result }) => {
    const times = bundle.resultIdCounts.get(result.resultId) ?? 0;
    if (times < 2) return [];
    const message = `result id ${result.resultId} stands ${times} times in the bundle`;
    return [{ pointer: '/resultId', message }];
  },
};
