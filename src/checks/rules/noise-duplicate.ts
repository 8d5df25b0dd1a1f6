import type { ResultRule } from '../rule.js';

export const noiseDuplicate: ResultRule = {
  info: {
    code: 'noise-duplicate',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'Two containers of the bundle have nearly the same noise: a spectrum was copied and changed a little.',
    advice: 'Find out at the instrument which of them was measured. Measure both again.',
    limit: 'noiseCorrelationMax, in the region methods[].noise',
  },
  find: ({ bundle, limits, trace }) => {
    const same = bundle.traces.sameNoise.get(trace.index);
    const limit = limits?.all.noiseCorrelationMax;
    if (same === undefined || limit === undefined) return [];
    const { other, r } = same;
    return [
      {
        pointer: '/spectrum',
        message: `noise correlates by ${r.toFixed(4)} with result ${other.resultId} (${other.place}), expected less than ${limit.value}`,
        numbers: { found: r.toFixed(4) },
        limit,
      },
    ];
  },
};
