import type { ResultRule } from '../rule.js';

export const materialUnknown: ResultRule = {
  info: {
    code: 'material-unknown',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The site has no material of the code the operator picked.',
    advice:
      'Correct the list of materials on the instrument, or add the material to the site folder.',
  },
  find: ({ bundle, result }) =>
    result.material === null || bundle.site.materials.has(result.material)
      ? []
      : [{ pointer: '/material', message: `there is no material ${result.material}` }],
};
