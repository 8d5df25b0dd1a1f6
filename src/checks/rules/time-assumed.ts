import type { ResultRule } from '../rule.js';

export const timeAssumed: ResultRule = {
  info: {
    code: 'time-assumed',
    severity: 'remark',
    scope: 'result',
    needs: 'document',
    meaning:
      'Neither the instrument nor the sync PC stated the offset of the time; it was assumed.',
    advice: 'Set the time zone on the instrument.',
  },
  find: ({ result }) =>
    result.timeSource === 'assumed'
      ? [{ pointer: '/timeSource', message: `the offset of ${result.measuredAt} was assumed` }]
      : [],
};
