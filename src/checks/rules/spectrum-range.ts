import type { ResultRule } from '../rule.js';

/** Nothing is extrapolated: the whole range of the method has to be measured. */
export const spectrumRange: ResultRule = {
  info: {
    code: 'spectrum-range',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum does not cover the range of the method.',
    advice: 'Measure again over the whole range with the registered settings.',
    limit: "the method's range in site.yaml",
  },
  find: ({ method, spectrum }) => {
    if (method === null || spectrum.kind !== 'read') return [];
    const { axisFirst, axisLast } = spectrum.summary;
    const { from, to } = method.range;
    if (Number(axisFirst) <= Number(from) && Number(axisLast) >= Number(to)) return [];
    return [
      {
        pointer: '/spectrum/axis',
        message: `expected ${from} to ${to} cm-1, found ${axisFirst} to ${axisLast} cm-1`,
        numbers: { from, to, axisFirst, axisLast },
      },
    ];
  },
};
