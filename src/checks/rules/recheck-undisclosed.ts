import type { ResultRule } from '../rule.js';

export const recheckUndisclosed: ResultRule = {
  info: {
    code: 'recheck-undisclosed',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning: 'The algorithm of the method is not disclosed, so nobody can recompute the score.',
    advice: 'Rely on the result only as far as the decision that registered the method allows.',
  },
  find: ({ method, recheck }) =>
    method?.algorithm === 'undisclosed' ? [{ pointer: '/score', message: recheck.reason }] : [],
};
