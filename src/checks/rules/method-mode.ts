import type { ResultRule } from '../rule.js';

export const methodMode: ResultRule = {
  info: {
    code: 'method-mode',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The method was used in another mode than registered.',
    advice: 'Measure again in the registered mode; only verification can cover a container.',
  },
  find: ({ method, result }) =>
    method === null || method.mode === result.mode
      ? []
      : [{ pointer: '/mode', message: `registered for ${method.mode}, found ${result.mode}` }],
};
