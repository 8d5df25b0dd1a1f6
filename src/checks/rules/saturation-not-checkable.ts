import type { BundleResult } from '../../intake/result-bundle.js';
import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';
import { signalSaturated } from './signal-saturated.js';

/** Averaging and subtracting hide a frame that was cut off (spectra.md, "Noise and saturation"). */
export const saturationNotCheckable: ResultRule = {
  info: {
    code: 'saturation-not-checkable',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning: 'Nobody can tell from this spectrum whether a frame was cut off.',
    advice:
      'Have the instrument hand over single frames in counts, or rely on its own saturation warning by the local procedure.',
    limit: 'asked where detectors[].ceilingCounts or linearMaxCounts is set',
  },
  find: (about) => {
    const { limits, result, signal } = about;
    const { ceilingCounts, linearMaxCounts } = limits?.detector ?? {};
    if (signal === null || (ceilingCounts ?? linearMaxCounts) === undefined) return [];
    const why = whyNot(result);
    if (why === null || signalSaturated.find(about).length > 0) return [];
    return [{ pointer: valuesPointer(result), message: `not checkable: ${why}` }];
  },
};

function whyNot({ acquisition, spectrum }: BundleResult): string | null {
  const { accumulations, backgroundSubtracted } = acquisition;
  if (spectrum?.intensityUnit !== 'counts') return `intensities in ${spectrum?.intensityUnit}`;
  if (accumulations === undefined) return 'the result does not say how many frames were averaged';
  if (accumulations > 1) return `${accumulations} frames were averaged, and none is in the bundle`;
  if (backgroundSubtracted === true) return 'a background was subtracted';
  return null;
}
