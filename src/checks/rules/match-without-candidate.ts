import type { ResultRule } from '../rule.js';

export const matchWithoutCandidate: ResultRule = {
  info: {
    code: 'match-without-candidate',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'A match does not say which material it matches.',
    advice: 'Have the instrument report its candidates; a match without one counts as contrary.',
  },
  find: ({ result }) =>
    result.decision === 'match' && result.candidates.length === 0
      ? [{ pointer: '/candidates', message: 'match without a candidate' }]
      : [],
};
