import { methodKey } from '../method-key.js';
import type { ResultRule } from '../rule.js';

/** Release-safety rule 5: a method is what it contains, whatever it is called. */
export const methodContent: ResultRule = {
  info: {
    code: 'method-content',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The method on the instrument is not the registered one of that name and version.',
    advice: 'Load the registered method on the instrument and measure again.',
  },
  find: ({ bundle, method, result }) => {
    if (method === null) return [];
    const digest = bundle.methodDigests.get(methodKey(result.method));
    if (digest === method.contentDigest) return [];
    const found = digest === undefined ? 'no digest in /methods' : digest;
    const message = `${method.id} version ${method.version} is registered with content ${method.contentDigest}, found ${found}`;
    return [{ pointer: '/method', message }];
  },
};
