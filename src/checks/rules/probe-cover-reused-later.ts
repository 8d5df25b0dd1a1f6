import type { EarlierRule } from '../rule.js';
import { materialOf, probeCoverReused, sameCover } from './probe-cover-reused.js';

/** Nobody knows when the cover was changed, or whether: the one that was accepted before is held too. */
export const probeCoverReusedLater: EarlierRule = {
  info: {
    code: 'probe-cover-reused-later',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'The disposable cover of the immersion probe came again as having been in another material: this result is held although it had been accepted, and withdrawn where it was sent. Common practice, no source.',
    advice:
      'What stuck to the cover may be what was measured, and may be in the container now: tell the quality unit, and measure again with a new cover.',
  },
  pairedWith: probeCoverReused.info.code,
  find: (about, isKnown) => {
    const { resultId } = about.examined.reading;
    const message = `result ${resultId} of ${about.instrument ?? 'an unknown instrument'} came later with the cover in ${materialOf(about) ?? 'an unknown material'}`;
    return [...sameCover(about, isKnown)].map((earlier) => ({
      earlier,
      found: { pointer: '/presentation/probeCover', message },
    }));
  },
};
