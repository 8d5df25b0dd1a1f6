import type { ResultRule } from '../rule.js';

export const labelMissing: ResultRule = {
  info: {
    code: 'label-missing',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'Nothing says which receipt or container was measured.',
    advice: 'Find the container and measure it again with its label scanned.',
  },
  find: ({ result }) =>
    (['receipt', 'container'] as const)
      .filter((name) => result[name] === null)
      .map((name) => ({ pointer: `/${name}`, message: `no ${name} was scanned` })),
};
