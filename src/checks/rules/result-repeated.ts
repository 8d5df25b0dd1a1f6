import type { ResultHistoryRule } from '../rule.js';

export const resultRepeated: ResultHistoryRule = {
  info: {
    code: 'result-repeated',
    severity: 'remark',
    scope: 'result',
    needs: 'history',
    meaning: 'This very result was taken before.',
    advice: 'Nothing to do: it counts once.',
  },
  find: ({ examined, standing, repeatsHeld }) =>
    standing === 'repeated' && !repeatsHeld
      ? [{ pointer: '/resultId', message: `${examined.reading.resultId} was taken before` }]
      : [],
};
