import { brokenSpectrum } from '../broken-spectrum.js';
import type { ResultRule } from '../rule.js';

export const spectrumFile: ResultRule = {
  info: {
    code: 'spectrum-file',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The file of the spectrum cannot be decoded, or holds something else than declared.',
    advice:
      'Look at the line named; export the spectrum again, as one Raman spectrum of the format that the bundle states.',
  },
  find: ({ spectrum }) => brokenSpectrum(spectrum, 'spectrum-file'),
};
