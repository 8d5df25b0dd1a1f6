import { brokenSpectrum } from '../broken-spectrum.js';
import type { ResultRule } from '../rule.js';

export const spectrumAxis: ResultRule = {
  info: {
    code: 'spectrum-axis',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The axis of the spectrum does not ascend strictly.',
    advice:
      'Fetch the result from the instrument again; if it stays so, have its calibration looked at.',
  },
  find: ({ spectrum }) => brokenSpectrum(spectrum, 'spectrum-axis'),
};
