import { recheckFound } from '../recheck-found.js';
import type { ResultRule } from '../rule.js';

export const rankingNearTie: ResultRule = {
  info: {
    code: 'ranking-near-tie',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The material found lies too little ahead of the next one.',
    advice: 'Take it as not identified: tell the two apart by another identity test.',
  },
  find: (about) => recheckFound(about, 'near-tie'),
};
