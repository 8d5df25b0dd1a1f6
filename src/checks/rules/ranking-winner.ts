import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const rankingWinner: ResultRule = {
  info: {
    code: 'ranking-winner',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'Another material of the reference set scores better than the one that was reported as found.',
    advice:
      'Do not rely on the match. Compare the library on the instrument with the reference set of the site, and measure again.',
  },
  find: (about) => recheckFound(about, 'winner'),
};
