import { isOtherContainer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

/** Noise never repeats: two traces that are equal to the last bit are one measurement. */
export const spectrumDuplicate: ResultRule = {
  info: {
    code: 'spectrum-duplicate',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'Two containers of the bundle have the same spectrum, value for value.',
    advice:
      'One container was measured twice, or a file was copied: nobody can say which. Measure both again.',
  },
  find: ({ bundle, trace }) => {
    const same = trace.sha256 === null ? [] : (bundle.traces.bySpectrum.get(trace.sha256) ?? []);
    const other = same.find((t) => isOtherContainer(t.container, trace.container));
    if (other === undefined) return [];
    const message = `the same values as result ${other.resultId} (${other.place})`;
    return [{ pointer: '/spectrum', message, numbers: { sha256: trace.sha256 ?? '' } }];
  },
};
