import { recheckFound } from '../recheck-found.js';
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
  find: (about) => recheckFound(about, 'score'),
};
