import type { ResultRule } from '../rule.js';
import { isDeclaredWithoutTrace } from './recheck-no-trace.js';

export const recheckNotPossible: ResultRule = {
  info: {
    code: 'recheck-not-possible',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'A pass or match cannot be recomputed from what the result holds.',
    advice:
      'Have the instrument hand over the spectrum, and the registry the reference; then measure again.',
  },
  find: ({ method, recheck, result, spectrum }) => {
    const says = result.decision === 'pass' || result.decision === 'match';
    const isOpen = method !== null && method.algorithm !== 'undisclosed';
    if (!says || !isOpen || recheck.answer !== 'not-recomputable') return [];
    if (isDeclaredWithoutTrace({ method, result, spectrum })) return [];
    // A search with spectrum and candidates has a code of its own.
    const isSearch = result.mode === 'identification' && spectrum.kind === 'read';
    if (isSearch && result.candidates.length > 0) return [];
    return [{ pointer: '/spectrum', message: recheck.reason }];
  },
};
