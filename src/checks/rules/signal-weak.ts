import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

export const signalWeak: ResultRule = {
  info: {
    code: 'signal-weak',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The strongest band stands too little above its background.',
    advice: 'Check focus, contact and window, expose longer, and measure again.',
    limit: 'methods[].heightMinCounts',
  },
  find: ({ limits, result, signal }) => {
    const limit = limits?.method?.heightMinCounts;
    const band = signal?.band ?? null;
    if (limit === undefined || band === null || band.height >= Number(limit.value)) return [];
    return [
      {
        pointer: valuesPointer(result),
        message: `the band at ${band.shift} cm-1 is ${band.height.toFixed(2)} high, expected at least ${limit.value}`,
        numbers: { found: band.height.toFixed(2), shift: String(band.shift) },
        limit,
      },
    ];
  },
};
