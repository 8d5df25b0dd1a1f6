import type { ResultRule } from '../rule.js';

export const operatorUndeclared: ResultRule = {
  info: {
    code: 'operator-undeclared',
    severity: 'remark',
    scope: 'result',
    needs: 'document',
    meaning: 'The bundle does not say who the operator is.',
    advice: "Have the instrument's list of operators completed.",
  },
  find: ({ bundle, result }) =>
    bundle.operatorIds.has(result.operatorId)
      ? []
      : [{ pointer: '/operatorId', message: `${result.operatorId} is not listed in /operators` }],
};
