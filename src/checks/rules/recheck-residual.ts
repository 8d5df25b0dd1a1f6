import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const recheckResidual: ResultRule = {
  info: {
    code: 'recheck-residual',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum holds more that the reference does not explain than the method allows.',
    advice:
      'Look for a second substance, packaging or fluorescence in the spectrum, and measure again; have the container tested otherwise if it stays so.',
  },
  find: (about) => recheckFound(about, 'residual'),
};
