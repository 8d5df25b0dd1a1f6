import type { Decimal } from '../formats/decimal.js';

export type RecheckAnswer = 'agrees' | 'disagrees' | 'not-recomputable';

/** What came of recomputing the reported score from the reported spectrum and the registry's method. */
export interface Recheck {
  readonly answer: RecheckAnswer;
  /** Recomputed score, six decimals; null when not recomputable. */
  readonly score: Decimal | null;
  readonly reason: string;
}

/** What of the recheck speaks against the report; each has a rule of its own. */
export type RecheckTest =
  | 'score'
  | 'axis'
  | 'other-material'
  | 'peaks'
  | 'residual'
  | 'margin'
  | 'winner'
  | 'near-tie'
  | 'below-threshold';

export interface Disagreement {
  readonly test: RecheckTest;
  /** Relative to the result. */
  readonly pointer: string;
  readonly message: string;
  readonly numbers: Readonly<Record<string, string>>;
}

/** A recheck with every single thing it found: what findings are made of. */
export interface RecheckDetail extends Recheck {
  /** Empty unless the answer is `disagrees`. */
  readonly disagreements: readonly Disagreement[];
  /** Reported candidates, by their place, that no reference of the site's set stands for. */
  readonly withoutReference: readonly number[];
}

const DIGITS_SHOWN = 6;

/** A recomputed number as it is shown and compared. */
export function shownScore(score: number): Decimal {
  const text = score.toFixed(DIGITS_SHOWN);
  return (Number(text) === 0 ? text.replace('-', '') : text) as Decimal;
}
