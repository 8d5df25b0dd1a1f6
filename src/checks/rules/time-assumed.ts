import type { ResultRule } from '../rule.js';

export const timeAssumed: ResultRule = {
  info: {
    code: 'time-assumed',
    severity: 'remark',
    scope: 'result',
    needs: 'document',
    meaning:
      'Neither the instrument nor the sync PC stated the offset of the time; it was assumed. A pass counts only when it was measured after goods receipt whatever the offset was.',
    advice:
      'Set the time zone on the instrument; measure again where the statement says that a pass was not certainly after goods receipt.',
  },
  find: ({ result }) =>
    result.timeSource === 'assumed'
      ? [{ pointer: '/timeSource', message: `the offset of ${result.measuredAt} was assumed` }]
      : [],
};
