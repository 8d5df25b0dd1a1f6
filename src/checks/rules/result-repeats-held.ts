import type { ResultHistoryRule } from '../rule.js';

export const resultRepeatsHeld: ResultHistoryRule = {
  info: {
    code: 'result-repeats-held',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'This very result came before, in a bundle that is held.',
    advice:
      'Both are kept. A reviewer decides whether this copy stands; the one in the held bundle is refused with it.',
  },
  find: ({ examined, standing, repeatsHeld }) =>
    standing === 'repeated' && repeatsHeld
      ? [
          {
            pointer: '/resultId',
            message: `${examined.reading.resultId} came before with the same content, in a bundle that is held`,
          },
        ]
      : [],
};
