import type { Limit, MethodSignal, Region, SignalLimits } from '../../site/signal-limits.js';
import type { Found, ResultRule } from '../rule.js';
import { NOISE_POINTS_MIN } from '../signal-region.js';

/**
 * A limit that the site set is applied, or the result is held: a spectrum that ends before the region, or leaves its points
 * out, would otherwise pass every check that looks there.
 */
export const signalRegion: ResultRule = {
  info: {
    code: 'signal-region',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum does not cover a region that a limit is measured in.',
    advice: 'Measure again over the whole axis. If no instrument covers it, correct the region.',
    limit: 'methods[].peak, methods[].noise, packaging[].range',
  },
  find: ({ limits, signal }) => {
    if (limits === null || signal === null) return [];
    const { all, method } = limits;
    const found: Found[] = [];
    const [peak, noise] = [bandLimit(method, all), method?.signalToNoiseMin];
    if (method?.peak !== undefined && peak !== undefined && signal.band === null) {
      found.push(unmeasured('peak', method.peak, 1, ...peak));
    }
    const repeated = all.noiseCorrelationMax;
    if (method?.noise !== undefined && noise !== undefined && signal.noise === null) {
      found.push(unmeasured('noise', method.noise, NOISE_POINTS_MIN, 'signalToNoiseMin', noise));
    } else if (method?.noise !== undefined && repeated !== undefined && signal.pattern === null) {
      const points = NOISE_POINTS_MIN + 2;
      const place = unmeasured('noise', method.noise, points, 'noiseCorrelationMax', repeated);
      const message = 'the region of the noise holds none at all, expected some to compare';
      if (signal.noise !== 0) found.push(place);
      // With a limit of signal to noise this is said there.
      else if (noise === undefined) found.push({ ...place, message });
    }
    for (const { name, reference } of all.packaging) {
      if (reference === null || signal.packagingScores.some(({ of }) => of.name === name)) continue;
      found.push(unmeasured(name, reference.range, 3, 'packaging scoreMin', reference.scoreMin));
    }
    return found;
  },
};

/** The first limit that is measured on the band. */
function bandLimit(
  method: MethodSignal | null,
  { ambientLight }: SignalLimits,
): readonly [string, Limit] | undefined {
  const { heightMinCounts, signalToNoiseMin, backgroundToHeightMax, heightAtExposureMaxCounts } =
    method ?? {};
  const { backgroundRiseMax } = ambientLight;
  const all = {
    heightMinCounts,
    signalToNoiseMin,
    backgroundToHeightMax,
    heightAtExposureMaxCounts,
    backgroundRiseMax,
  };
  return Object.entries(all).find((entry): entry is [string, Limit] => entry[1] !== undefined);
}

function unmeasured(
  region: string,
  { from, to }: Region,
  points: number,
  name: string,
  limit: Limit,
): Found {
  return {
    pointer: '/spectrum/axis',
    message: `expected at least ${points} points throughout ${from} to ${to} cm-1, the region "${region}" that ${name} is measured in`,
    numbers: { region, from, to },
    limit,
  };
}
