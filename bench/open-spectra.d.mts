export interface OpenSpectrum {
  readonly file: string;
  readonly substance: string;
  readonly isAged: boolean;
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
}

export interface SpectrumPair {
  readonly one: OpenSpectrum;
  readonly other: OpenSpectrum;
  readonly kind: string;
}

export const KINDS: readonly string[];
export function spectraFolder(): string | null;
export function loadSpectra(folder: string): readonly OpenSpectrum[];
export function pairsOf(spectra: readonly OpenSpectrum[]): readonly SpectrumPair[];
export function methodFor(
  reference: OpenSpectrum,
  measured: OpenSpectrum,
  declared: { readonly name: string },
): unknown;
