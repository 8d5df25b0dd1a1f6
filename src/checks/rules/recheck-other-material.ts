import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const recheckOtherMaterial: ResultRule = {
  info: {
    code: 'recheck-other-material',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'The spectrum is not that of the material it passed as; it fits another one of the site.',
    advice:
      'Keep the container apart and find out what it holds; have the way the spectrum took looked into. Measure again.',
  },
  find: (about) => recheckFound(about, 'other-material'),
};
