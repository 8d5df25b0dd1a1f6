import type { ResultRule } from '../rule.js';

export const methodUnknown: ResultRule = {
  info: {
    code: 'method-unknown',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The method, in this version, is not registered at the site.',
    advice: 'Measure again with a registered method, or register this one once it is validated.',
  },
  find: ({ bundle, method, result }) => {
    if (method !== null) return [];
    const versions = [...(bundle.site.methods.get(result.method.id)?.keys() ?? [])];
    const known = versions.length === 0 ? 'none' : `version ${versions.join(', ')}`;
    const message = `found ${result.method.id} version ${result.method.version}, registered: ${known}`;
    return [{ pointer: '/method', message }];
  },
};
