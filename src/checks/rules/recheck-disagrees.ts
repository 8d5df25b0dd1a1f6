import type { ResultRule } from '../rule.js';

/** Release-safety rule 5: a recheck may demote, never promote. A contrary result stays contrary. */
export const recheckDisagrees: ResultRule = {
  info: {
    code: 'recheck-disagrees',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'The score recomputed from the spectrum does not bear out what the instrument reported.',
    advice:
      'Do not rely on the result. Compare method and reference on the instrument with the registered ones, and measure again.',
  },
  find: ({ method, recheck, result }) => {
    if (recheck.answer !== 'disagrees' || method === null) return [];
    return [
      {
        pointer: result.score === null ? '/decision' : '/score/value',
        message: recheck.reason,
        numbers: {
          recomputed: recheck.score ?? 'none',
          reported: result.score?.value ?? 'none',
          threshold: method.threshold,
          tolerance: method.scoreTolerance,
        },
      },
    ];
  },
};
