import type { Decimal } from '../formats/decimal.js';

/** What a method does to both curves before it compares them; `docs/recheck.md` has the formulas. */
export interface Treatment {
  readonly interpolation: 'linear' | 'spline';
  readonly baseline: BaselineSetting | null;
  readonly normalisation: Normalisation;
  /** The best score of the measured curve moved by whole grid steps up to this far counts, cm-1; at most 3. */
  readonly shiftAllowance: Decimal;
}

export type Normalisation = 'none' | 'vector' | 'area' | 'max' | 'snv';

export type BaselineSetting = AsymmetricLeastSquares | ClippedPolynomial;

export interface AsymmetricLeastSquares {
  readonly kind: 'asymmetric-least-squares';
  /** Weight of the squared second differences between grid points. */
  readonly smoothness: Decimal;
  /** Weight of the points above the baseline; those below have one less this. */
  readonly asymmetry: Decimal;
  readonly iterations: number;
}

export interface ClippedPolynomial {
  readonly kind: 'clipped-polynomial';
  readonly order: number;
  readonly iterations: number;
}

/** What a pass has to show besides its score. A score alone is never identity. */
export interface IdentityTests {
  readonly peaks: PeakTest | null;
  readonly residual: ResidualTest | null;
  /** How far below the score the best score of every other material of the reference set has to lie. */
  readonly margin: Decimal | null;
}

export interface PeakTest {
  /** How far the centre of a band may lie from where it is named, cm-1. */
  readonly tolerance: Decimal;
  /** Named shift, cm-1, of the band whose height is 1; it has to be there. */
  readonly relativeTo: Decimal;
  readonly present: readonly PresentPeak[];
  readonly absent: readonly AbsentPeak[];
}

export interface PresentPeak {
  readonly shift: Decimal;
  /** Inclusive, relative to the band of `relativeTo`. */
  readonly heightFrom: Decimal;
  readonly heightTo: Decimal;
}

export interface AbsentPeak {
  readonly shift: Decimal;
  /** A band there fails the test from this height on, relative to the band of `relativeTo`. */
  readonly heightFrom: Decimal;
}

export interface ResidualTest {
  readonly statistic: 'rms' | 'max';
  /** What the residual is counted in: the spectrum's own noise, or the height of the scaled reference. */
  readonly unit: 'noise' | 'reference-height';
  /** Largest value that passes. */
  readonly limit: Decimal;
}

/** What a method does that declares no treatment. */
export const PLAIN_TREATMENT: Treatment = {
  interpolation: 'linear',
  baseline: null,
  normalisation: 'none',
  shiftAllowance: '0' as Decimal,
};
