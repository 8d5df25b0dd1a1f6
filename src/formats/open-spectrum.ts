/**
 * One spectrum out of a file of open format that says nothing of an identity test: what was measured, and the
 * texts beside it. Everything else stays in the file.
 */
export interface OpenSpectrum {
  readonly title: string;
  /** Raman shift in cm-1, strictly ascending or strictly descending, as in the file. */
  readonly axis: Float64Array;
  readonly intensity: Float64Array | Float32Array;
  /** As the file names it. */
  readonly intensityUnit: string;
  /** Texts of the file by the names it has for them; no name twice. */
  readonly notes: readonly { readonly name: string; readonly text: string }[];
}

export interface OpenFault {
  /** Line, element path, offset or attribute in the file; '' for the file as a whole. */
  readonly at: string;
  /** Found against expected. */
  readonly message: string;
}

export type OpenRead =
  | { readonly ok: true; readonly spectra: readonly OpenSpectrum[] }
  | { readonly ok: false; readonly fault: OpenFault };

/** Spellings of the reciprocal centimetre in files, lower case and without blanks. */
const WAVENUMBERS = new Set([
  '1/cm',
  'cm-1',
  'cm^-1',
  'cm⁻¹',
  'cm**-1',
  'wavenumber/cm-1',
  'ramanshift/cm-1',
  'wavenumber(cm-1)',
  'ramanshift(cm-1)',
]);

/** True for a text that names the reciprocal centimetre; units are recognised, never computed. */
export function isWavenumber(unit: string): boolean {
  return WAVENUMBERS.has(unit.toLowerCase().replace(/\s/g, ''));
}

/** Says what is wrong with an axis and its ordinates; null when they are a spectrum. */
export function spectrumFault(
  axis: ArrayLike<number>,
  intensity: ArrayLike<number>,
): string | null {
  if (axis.length !== intensity.length) {
    return `expected as many ordinates as axis values, found ${intensity.length} and ${axis.length}`;
  }
  if (axis.length < 2) return `expected at least 2 points, found ${axis.length}`;
  const isAscending = (axis[1] ?? 0) > (axis[0] ?? 0);
  for (let i = 0; i < axis.length; i++) {
    const shift = axis[i] ?? Number.NaN;
    if (!Number.isFinite(shift) || !Number.isFinite(intensity[i] ?? Number.NaN)) {
      return `expected finite numbers, found ${shift} and ${intensity[i]} at point ${i}`;
    }
    if (i === 0) continue;
    const before = axis[i - 1] ?? 0;
    if (isAscending ? shift <= before : shift >= before) {
      return `expected an axis that runs one way, found ${shift} after ${before}`;
    }
  }
  return null;
}

/** The spectrum with an ascending axis, as everything of ours has it. */
export function ascendingSpectrum(spectrum: OpenSpectrum): OpenSpectrum {
  const { axis, intensity } = spectrum;
  if ((axis[1] ?? 0) >= (axis[0] ?? 0)) return spectrum;
  return { ...spectrum, axis: axis.toReversed(), intensity: intensity.toReversed() };
}
