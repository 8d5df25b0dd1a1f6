import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const recheckMargin: ResultRule = {
  info: {
    code: 'recheck-margin',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'Another material scores nearly as well, or better.',
    advice: 'Do not rely on the score alone: tell the two apart by another identity test.',
  },
  find: (about) => recheckFound(about, 'margin'),
};
