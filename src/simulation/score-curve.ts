import { spectralScore } from '../checks/spectral-score.js';
import type { Decimal } from '../formats/decimal.js';
import type { Method } from '../site/site-folder.js';
import type { SynthesisedSpectrum } from './synthesise-spectrum.js';

/** Digits a simulated handheld reports. */
const SCORE_PLACES = 4;

/** What the simulated handheld's own software computes by a registered method; null when there is no score. */
export function scoreCurve(method: Method, curve: SynthesisedSpectrum): Decimal | null {
  const scored = spectralScore(method, curve.axis, curve.intensity);
  return scored.kind === 'scored' ? (scored.score.toFixed(SCORE_PLACES) as Decimal) : null;
}
