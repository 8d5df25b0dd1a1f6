import type { ResultRule } from '../rule.js';

/** Release-safety rule 2. */
export const labelNotScanned: ResultRule = {
  info: {
    code: 'label-not-scanned',
    severity: 'remark',
    scope: 'result',
    needs: 'document',
    meaning: 'A label was not scanned but typed, chosen or carried over.',
    advice: 'Compare the text with the label on the container before relying on the result.',
  },
  find: ({ result }) =>
    (['receipt', 'container'] as const).flatMap((name) => {
      const label = result[name];
      if (label === null || label.entry === 'scanned') return [];
      const message = `the ${name} ${label.scanned} was ${label.entry}`;
      return [{ pointer: `/${name}/entry`, message }];
    }),
};
