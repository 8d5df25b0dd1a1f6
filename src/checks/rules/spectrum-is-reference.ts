import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

/** Noise never repeats: a trace with the intensities of a reference is that reference, and of no container. */
export const spectrumIsReference: ResultRule = {
  info: {
    code: 'spectrum-is-reference',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'The intensities are those of a reference of the site, value for value: nothing was measured.',
    advice: 'Find out how a reference came into the file, and measure the container.',
  },
  find: ({ bundle, result, spectrum }) => {
    if (spectrum.kind !== 'read' || spectrum.intensitySha256 === null) return [];
    const name = bundle.site.referenceDigests.get(spectrum.intensitySha256);
    if (name === undefined) return [];
    return [
      { pointer: valuesPointer(result), message: `the same intensities as reference ${name}` },
    ];
  },
};
