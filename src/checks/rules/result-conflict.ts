import type { ResultHistoryRule } from '../rule.js';

export const resultConflict: ResultHistoryRule = {
  info: {
    code: 'result-conflict',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'A result of this id was taken before with other content.',
    advice: 'Both are kept. Find out at the instrument which of them was measured.',
  },
  find: ({ examined, standing }) =>
    standing === 'conflict'
      ? [
          {
            pointer: '/resultId',
            message: `${examined.reading.resultId} was taken before with other content than ${examined.sha256}`,
          },
        ]
      : [],
};
