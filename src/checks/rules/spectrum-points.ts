import { brokenSpectrum } from '../broken-spectrum.js';
import type { ResultRule } from '../rule.js';

export const spectrumPoints: ResultRule = {
  info: {
    code: 'spectrum-points',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum has too few points, or more than the site takes.',
    advice:
      'Check the resolution set on the instrument against limits.spectrumPointsMax of the site folder.',
    limit: 'site.yaml: limits.spectrumPointsMax',
  },
  find: ({ spectrum }) => brokenSpectrum(spectrum, 'spectrum-points'),
};
