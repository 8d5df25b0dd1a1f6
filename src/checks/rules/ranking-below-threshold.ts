import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const rankingBelowThreshold: ResultRule = {
  info: {
    code: 'ranking-below-threshold',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'A match names a material whose recomputed score does not reach the threshold.',
    advice: 'Take it as not identified, and measure again.',
  },
  find: (about) => recheckFound(about, 'below-threshold'),
};
