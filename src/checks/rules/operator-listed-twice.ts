import type { ResultRule } from '../rule.js';

/** Two names of one id: the record would name one of them. */
export const operatorListedTwice: ResultRule = {
  info: {
    code: 'operator-listed-twice',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The bundle lists the operator of the result twice, with different names.',
    advice: "Have the instrument's list of operators corrected, and measure again.",
  },
  find: ({ bundle, result }) => {
    if (!bundle.operatorsInDoubt.has(result.operatorId)) return [];
    const message = `/operators lists ${result.operatorId} with more than one name`;
    return [{ pointer: '/operatorId', message }];
  },
};
