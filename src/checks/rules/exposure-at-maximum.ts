import type { ResultRule } from '../rule.js';

export const exposureAtMaximum: ResultRule = {
  info: {
    code: 'exposure-at-maximum',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning:
      'The automatic exposure went to its maximum and the signal is weak all the same: the focus missed the material. Common practice, no source.',
    advice: 'Look at distance, nose cone and window, and measure again.',
    limit: 'detectors[].exposureMaxMs with methods[].heightAtExposureMaxCounts',
  },
  find: ({ limits, result, signal }) => {
    const longest = limits?.detector?.exposureMaxMs;
    const limit = limits?.method?.heightAtExposureMaxCounts;
    const time = result.acquisition.integrationTimeMs;
    const band = signal?.band ?? null;
    if (longest === undefined || limit === undefined || time === undefined) return [];
    if (band === null || Number(time) < Number(longest.value)) return [];
    if (band.height >= Number(limit.value)) return [];
    return [
      {
        pointer: '/acquisition/integrationTimeMs',
        message: `exposed for ${time} ms, the longest there is, and the band is ${band.height.toFixed(2)} high, expected at least ${limit.value}`,
        numbers: { found: band.height.toFixed(2), exposureMaxMs: longest.value },
        limit,
      },
    ];
  },
};
