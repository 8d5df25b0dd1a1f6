import { brokenSpectrum } from '../broken-spectrum.js';
import type { ResultRule } from '../rule.js';

export const spectrumValues: ResultRule = {
  info: {
    code: 'spectrum-values',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The spectrum holds a value that is no finite number.',
    advice: 'Measure again; if it happens again, have the instrument looked at.',
  },
  find: ({ spectrum }) => brokenSpectrum(spectrum, 'spectrum-values'),
};
