import type { Limit } from '../../site/signal-limits.js';
import { valuesPointer } from '../bundle-traces.js';
import type { Found, ResultRule } from '../rule.js';

/** So many neighbouring points that all hold the largest value are cut off (spectra.md; common practice, no source). */
const PLATEAU_POINTS = 3;

export const signalSaturated: ResultRule = {
  info: {
    code: 'signal-saturated',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'The spectrum is cut off: a point at the ceiling of the converter, above the linear limit, or three neighbours that all hold the largest value.',
    advice: 'Measure again with a shorter exposure or less laser power.',
    limit: 'detectors[].ceilingCounts and linearMaxCounts; three equal neighbours need no limit',
  },
  find: ({ limits, result, signal }) => {
    if (signal === null || signal.highest.isConstant) return [];
    const { detector } = limits ?? {};
    const { value, index, plateau } = signal.highest;
    const found = (message: string, limit?: Limit): readonly Found[] => [
      {
        pointer: valuesPointer(result),
        message,
        numbers: { found: String(value), point: String(index), equalNeighbours: String(plateau) },
        ...(limit === undefined ? {} : { limit }),
      },
    ];
    // Whatever was averaged or subtracted only lowers a point: one at the ceiling is at the ceiling.
    if (result.spectrum?.intensityUnit === 'counts') {
      const { ceilingCounts: ceiling, linearMaxCounts: linear } = detector ?? {};
      if (ceiling !== undefined && value >= Number(ceiling.value)) {
        return found(`point ${index} is ${value}, the converter ends at ${ceiling.value}`, ceiling);
      }
      if (linear !== undefined && value > Number(linear.value)) {
        return found(`point ${index} is ${value}, linear up to ${linear.value}`, linear);
      }
    }
    if (plateau < PLATEAU_POINTS) return [];
    return found(`${plateau} neighbouring points all hold the largest value ${value}`);
  },
};
