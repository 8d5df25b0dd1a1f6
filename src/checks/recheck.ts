import type { Decimal } from '../formats/decimal.js';

export type RecheckAnswer = 'agrees' | 'disagrees' | 'not-recomputable';

/** What came of recomputing the reported score from the reported spectrum and the registry's method. */
export interface Recheck {
  readonly answer: RecheckAnswer;
  /** Recomputed score, six decimals; null when not recomputable. */
  readonly score: Decimal | null;
  readonly reason: string;
}
