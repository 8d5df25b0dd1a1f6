import { coverOf } from '../bundle-traces.js';
import type { ResultHistoryRule } from '../rule.js';

/** As `probe-cover-shared`, across bundles. Whichever of the two came first, the other may be what was measured. */
export const probeCoverReused: ResultHistoryRule = {
  info: {
    code: 'probe-cover-reused',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'The disposable cover of the immersion probe was in another material before or since. Common practice, no source.',
    advice:
      'What stuck to the cover may be what was measured, and may be in the container now: tell the quality unit, and measure again with a new cover.',
  },
  find: ({ examined, receipt, sense, standing }) => {
    const { result, reading } = examined;
    const cover = result === null ? null : coverOf(result);
    if (cover === null || standing !== 'new') return [];
    const material = receipt?.material ?? reading.material;
    const other = (sense.covers.get(cover) ?? []).find((known) => known.material !== material);
    if (other === undefined) return [];
    const message = `the cover was in ${other.material ?? 'an unknown material'} too, result ${other.resultId} of ${other.instrument ?? 'an unknown instrument'}`;
    return [{ pointer: '/presentation/probeCover', message }];
  },
};
