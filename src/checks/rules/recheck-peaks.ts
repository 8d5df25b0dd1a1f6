import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

/** A high score is not identity: similar substances differ in single bands. */
export const recheckPeaks: ResultRule = {
  info: {
    code: 'recheck-peaks',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'A band that the method names is missing, of another height, or there although it must not be.',
    advice:
      'Do not rely on the score: a similar substance or a mixture can reach it. Have the container tested by another identity test.',
  },
  find: (about) => recheckFound(about, 'peaks'),
};
