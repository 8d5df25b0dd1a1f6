import type { ResultRule } from '../rule.js';

/** A verification that passed by a score at which the instrument itself ranked another material first. */
export const passOtherCandidate: ResultRule = {
  info: {
    code: 'pass-other-candidate',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The result passed, and its own best candidate is another material.',
    advice: 'Find out at the instrument which material it found.',
  },
  find: ({ method, result }) => {
    const [best] = result.candidates;
    if (result.mode !== 'verification' || result.decision !== 'pass' || best === undefined) {
      return [];
    }
    // A method may be approved for a material that goes by another code than its own.
    const own = [result.material, method?.material ?? null].filter((one) => one !== null);
    if (own.includes(best.material)) return [];
    const expected =
      own.length === 0 ? 'a material that was picked' : [...new Set(own)].join(' or ');
    const message = `expected ${expected} first, found ${best.material} with ${best.score}`;
    return [{ pointer: '/candidates/0/material', message }];
  },
};
