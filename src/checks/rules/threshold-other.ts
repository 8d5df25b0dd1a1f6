import { compareDecimals } from '../../formats/decimal.js';
import type { ResultRule } from '../rule.js';

export const thresholdOther: ResultRule = {
  info: {
    code: 'threshold-other',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The instrument decided by another threshold than registered for the method.',
    advice: 'Load the registered method on the instrument and measure again.',
  },
  find: ({ method, result }) => {
    const threshold = result.score?.threshold ?? null;
    if (method === null || threshold === null) return [];
    if (compareDecimals(threshold, method.threshold) === 0) return [];
    return [
      {
        pointer: '/score/threshold',
        message: `registered with threshold ${method.threshold}, found ${threshold}`,
        numbers: { registered: method.threshold, reported: threshold },
      },
    ];
  },
};
