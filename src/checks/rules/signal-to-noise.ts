import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

/** Height over the local baseline, by the standard deviation of a peak-free region after straight-line removal. */
export const signalToNoise: ResultRule = {
  info: {
    code: 'signal-to-noise',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The strongest band stands too little above the noise, or there is none.',
    advice: 'Check focus, contact and window, expose longer, and measure again.',
    limit: 'methods[].signalToNoiseMin',
  },
  find: ({ limits, result, signal }) => {
    const limit = limits?.method?.signalToNoiseMin;
    const { band, noise } = signal ?? { band: null, noise: null };
    if (limit === undefined || band === null || noise === null) return [];
    if (noise === 0) {
      // A detector that reads out a signal has noise: without any, nothing was measured there, or it was cut away.
      const message = 'the region of the noise holds none at all, expected a measured one';
      const numbers = { height: band.height.toFixed(2), noise: '0' };
      return [{ pointer: valuesPointer(result), message, numbers, limit }];
    }
    const ratio = band.height / noise;
    if (ratio >= Number(limit.value)) return [];
    return [
      {
        pointer: valuesPointer(result),
        message: `signal to noise is ${ratio.toFixed(2)}, expected at least ${limit.value}`,
        numbers: {
          found: ratio.toFixed(2),
          height: band.height.toFixed(2),
          noise: noise.toPrecision(4),
        },
        limit,
      },
    ];
  },
};
