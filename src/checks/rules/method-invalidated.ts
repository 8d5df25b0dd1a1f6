import { formatInstant } from '../../formats/instant.js';
import { isInvalidated } from '../../site/method-force.js';
import type { ResultRule } from '../rule.js';

/** Release-safety rule 20: a method found wrong is another thing than one that is retired. */
export const methodInvalidated: ResultRule = {
  info: {
    code: 'method-invalidated',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The version of the method was found wrong: nothing measured by it counts.',
    advice: 'Measure again by a version in force.',
  },
  find: ({ method }) => {
    if (method === null || !isInvalidated(method)) return [];
    const { invalidatedAt, invalidation } = method.force ?? {};
    const at = invalidatedAt ? ` at ${formatInstant(invalidatedAt)}` : '';
    const message = `${method.id} version ${method.version} was found wrong${at} (${invalidation ?? 'no decision named'})`;
    return [{ pointer: '/method', message }];
  },
};
