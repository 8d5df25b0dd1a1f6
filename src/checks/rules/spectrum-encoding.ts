import { brokenSpectrum } from '../broken-spectrum.js';
import type { ResultRule } from '../rule.js';

export const spectrumEncoding: ResultRule = {
  info: {
    code: 'spectrum-encoding',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The values of the spectrum cannot be decoded to the number of points declared.',
    advice:
      'Fetch the result from the instrument again; if it stays so, have the sync software corrected.',
  },
  find: ({ spectrum }) => brokenSpectrum(spectrum, 'spectrum-encoding'),
};
