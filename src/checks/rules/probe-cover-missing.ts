import { coverOf } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

/**
 * A remark and no hold: probes that are cleaned between containers have no cover, and nothing in a bundle tells one of these
 * from a cover whose number was left out.
 */
export const probeCoverMissing: ResultRule = {
  info: {
    code: 'probe-cover-missing',
    severity: 'remark',
    scope: 'result',
    needs: 'document',
    meaning:
      'Measured by an immersion probe, without the number of a cover: nobody can tell whether the cover was in another material before.',
    advice:
      'Have the number of the cover scanned. Where the probe has none, the local procedure says how it is cleaned between containers.',
  },
  find: ({ result }) => {
    if (result.presentation.kind !== 'immersion-probe' || coverOf(result) !== null) return [];
    const isNamed = result.presentation.probeCover !== undefined;
    return [
      {
        pointer: isNamed ? '/presentation/probeCover' : '/presentation',
        message: 'expected the number of the cover of the immersion probe, found none',
      },
    ];
  },
};
