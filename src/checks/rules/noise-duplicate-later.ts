import type { EarlierRule } from '../rule.js';
import { likeNoise, noiseDuplicateEarlier, noiseOfLater } from './noise-duplicate-earlier.js';

/** As `spectrum-duplicate-later`, for a spectrum that was changed a little. */
export const noiseDuplicateLater: EarlierRule = {
  info: {
    code: 'noise-duplicate-later',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'Nearly the same noise came again as that of another container, of this or another instrument: this result is held although it had been accepted, and withdrawn where it was sent.',
    advice:
      'Find out at the instruments which of them was measured. Refuse both and measure both again.',
    limit:
      'noiseCorrelationMax, in the region methods[].noise, among the latest 50 of the method, of the axis and of all',
  },
  pairedWith: noiseDuplicateEarlier.info.code,
  find: (about, isKnown) => {
    const limit = about.site.folder.signal?.noiseCorrelationMax;
    if (limit === undefined) return [];
    const { reading } = about.examined;
    return [...likeNoise(about, isKnown)].map(({ known: earlier, r }) => ({
      earlier,
      found: noiseOfLater(reading, r, limit),
    }));
  },
};
