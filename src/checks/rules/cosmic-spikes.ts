import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';
import { isSpike } from '../signal-peaks.js';

/** A band cannot be narrower than the spectrometer resolves; a second frame would tell for sure. */
export const cosmicSpikes: ResultRule = {
  info: {
    code: 'cosmic-spikes',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum has spikes of one to three points, narrower than any band: cosmic rays.',
    advice:
      'Have the instrument take two frames and compare them; measure again where a spike lies on a band of the method.',
    limit: 'peaks.spikeNoiseMultiple and detectors[].resolutionCm1',
  },
  find: ({ limits, result, signal }) => {
    const multiple = limits?.all.peaks.spikeNoiseMultiple;
    const resolution = limits?.detector?.resolutionCm1;
    const noise = signal?.roughNoise ?? null;
    if (multiple === undefined || resolution === undefined || noise === null) return [];
    const spikes = (signal?.peaks ?? []).filter(
      (peak) =>
        peak.prominence >= Number(multiple.value) * noise &&
        isSpike(peak, Number(resolution.value)),
    );
    const [first] = spikes;
    if (first === undefined) return [];
    const at = spikes.slice(0, 5).map((spike) => spike.shift.toFixed(1));
    return [
      {
        pointer: valuesPointer(result),
        message: `${spikes.length} narrower than ${resolution.value} cm-1, at ${at.join(', ')}${spikes.length > at.length ? ' and more' : ''} cm-1`,
        numbers: {
          found: first.widthCm1.toFixed(2),
          shift: first.shift.toFixed(1),
          height: first.prominence.toFixed(1),
          noise: noise.toPrecision(4),
          noiseMultiple: multiple.value,
          spikes: String(spikes.length),
        },
        limit: resolution,
      },
    ];
  },
};
