import { brokenSpectrum } from '../broken-spectrum.js';
import type { ResultRule } from '../rule.js';

export const spectrumLength: ResultRule = {
  info: {
    code: 'spectrum-length',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'Axis, intensity and the declared number of points do not agree.',
    advice:
      'Fetch the result from the instrument again; if it stays so, have the sync software corrected.',
  },
  find: ({ spectrum }) => brokenSpectrum(spectrum, 'spectrum-length'),
};
