import type { SpectrumPair } from './open-spectra.mjs';

export interface Declared {
  readonly name: string;
  readonly threshold: string;
}

export interface ConfusionRow {
  readonly pairs: number;
  readonly passed: number;
  readonly lowest: number;
  readonly highest: number;
}

export const METHODS: readonly Declared[];
export const CONFUSION_ROWS: readonly { readonly name: string }[];
export function confusionOf(
  declared: Declared,
  pairs: readonly SpectrumPair[],
): ReadonlyMap<string, ConfusionRow>;
export function confusionRows(
  wanted: readonly { readonly name: string }[],
  options: { readonly say: (line: string) => void },
): readonly { readonly name: string; readonly value: number; readonly ceiling: number }[];
