import { isOtherContainer } from '../bundle-traces.js';
import { copyDigest } from '../intensity-digest.js';
import type { ResultRule } from '../rule.js';

/** Noise never repeats: two traces of the same intensities are one measurement, whatever their axes say. */
export const spectrumDuplicate: ResultRule = {
  info: {
    code: 'spectrum-duplicate',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning:
      'Two containers of the bundle have the same spectrum: the same intensities, value for value, whatever their axes say.',
    advice:
      'One container was measured twice, or a file was copied: nobody can say which. Measure both again.',
  },
  find: ({ bundle, trace }) => {
    const digest = copyDigest(trace);
    const same = digest === null ? [] : (bundle.traces.bySpectrum.get(digest) ?? []);
    const other = same.find((t) => isOtherContainer(t.container, trace.container));
    if (other === undefined) return [];
    const message = `the same intensities as result ${other.resultId} (${other.place})`;
    return [{ pointer: '/spectrum', message, numbers: { sha256: trace.sha256 ?? '' } }];
  },
};
