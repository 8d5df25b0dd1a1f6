import type { EarlierRule } from '../rule.js';
import { sameSpectrum, spectrumDuplicateEarlier } from './spectrum-duplicate-earlier.js';

/** Nobody knows which of two copies is the true one: the one that was accepted before is held too. */
export const spectrumDuplicateLater: EarlierRule = {
  info: {
    code: 'spectrum-duplicate-later',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'The spectrum came again as that of another container, of this or another instrument: this result is held although it had been accepted, and withdrawn where it was sent.',
    advice:
      'One container was measured twice, or a file was copied: nobody can say which. Refuse both and measure both again.',
  },
  pairedWith: spectrumDuplicateEarlier.info.code,
  find: (about, isKnown) => {
    const { reading, spectrum } = about.examined;
    return [...sameSpectrum(about, isKnown)].map((earlier) => ({
      earlier,
      found: {
        pointer: '/spectrum',
        message: `result ${reading.resultId} of ${about.instrument ?? 'an unknown instrument'} came later with the same intensities (receipt ${reading.receiptScanned}, container ${reading.containerScanned})`,
        numbers: { sha256: spectrum?.sha256 ?? '' },
      },
    }));
  },
};
