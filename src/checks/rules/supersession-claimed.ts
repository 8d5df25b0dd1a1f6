import type { ResultRule } from '../rule.js';

/** Release-safety rule 12: an operator's own supersession never takes effect alone. */
export const supersessionClaimed: ResultRule = {
  info: {
    code: 'supersession-claimed',
    severity: 'remark',
    scope: 'result',
    needs: 'document',
    meaning: 'The operator says that this result replaces another.',
    advice:
      'Both count until the quality unit has decided; the earlier result is not set aside by this.',
  },
  find: ({ result }) =>
    result.supersedes === null
      ? []
      : [
          {
            pointer: '/supersedes',
            message: `said to replace ${result.supersedes.resultId}: ${result.supersedes.reason}`,
          },
        ],
};
