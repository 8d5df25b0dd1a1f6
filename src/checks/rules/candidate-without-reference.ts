import type { ResultRule } from '../rule.js';

export const candidateWithoutReference: ResultRule = {
  info: {
    code: 'candidate-without-reference',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning:
      'A reported candidate has no spectrum in the reference set that its score could be recomputed from.',
    advice: 'Leave it out of account, or add a reference of it to the site folder.',
  },
  find: ({ recheck, result }) =>
    recheck.withoutReference.map((index) => ({
      pointer: `/candidates/${index}/material`,
      message: `the reference set holds nothing to score ${result.candidates[index]?.material} by`,
    })),
};
