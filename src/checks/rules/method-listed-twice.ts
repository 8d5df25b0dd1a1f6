import { methodKey } from '../method-key.js';
import type { ResultRule } from '../rule.js';

/** Two contents of one name: checks would read one of them, and the record name the other. */
export const methodListedTwice: ResultRule = {
  info: {
    code: 'method-listed-twice',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The bundle lists the method of the result twice, with different contents.',
    advice: 'Have the instrument or its sync PC corrected, and measure again.',
  },
  find: ({ bundle, result }) => {
    if (!bundle.methodsInDoubt.has(methodKey(result.method))) return [];
    const message = `/methods lists ${result.method.id} version ${result.method.version} with more than one digest`;
    return [{ pointer: '/method', message }];
  },
};
