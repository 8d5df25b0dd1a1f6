import { saysYes } from '../recheck-score.js';
import type { ResultRule } from '../rule.js';

export const rankingNotRecomputable: ResultRule = {
  info: {
    code: 'ranking-not-recomputable',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The ranking behind a match cannot be recomputed from the reference set of the site.',
    advice:
      'Add a reference of the material to the site folder once it is qualified; then measure again.',
  },
  find: ({ method, recheck, result, spectrum }) => {
    const isSearch = result.mode === 'identification' && spectrum.kind === 'read';
    const isOpen = method !== null && method.algorithm !== 'undisclosed';
    if (!isSearch || !isOpen || !saysYes(result) || result.candidates.length === 0) return [];
    if (recheck.answer !== 'not-recomputable') return [];
    return [{ pointer: '/candidates', message: recheck.reason }];
  },
};
