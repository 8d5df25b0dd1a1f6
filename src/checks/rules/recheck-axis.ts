import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const recheckAxis: ResultRule = {
  info: {
    code: 'recheck-axis',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum bears out the reported score only with its axis moved.',
    advice:
      'Do not rely on the result. Make a performance check of the wavenumber axis; a substance with similar bands can look like this too. Measure again.',
  },
  find: (about) => recheckFound(about, 'axis'),
};
