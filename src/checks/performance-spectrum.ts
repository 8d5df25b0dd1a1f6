import { compareDecimals, type Decimal, distanceOfDecimals } from '../formats/decimal.js';
import { fitPeak } from './peak-fit.js';
import type { SpectrumReading } from './read-spectrum.js';

/** What the spectrum of a check itself says of one band. */
export interface CheckedPeak {
  /** Centre fitted here, two places; null without a spectrum, or where no band was found. */
  readonly fitted: Decimal | null;
  /** Full width at half height, cm-1, one place. */
  readonly fwhm: Decimal | null;
  /** Why the spectrum does not bear the reported position out; null when it does, or there is none. */
  readonly fault: string | null;
  readonly numbers: Readonly<Record<string, string>>;
}

/** Two bands of polystyrene lie 19 cm-1 apart: further out another one is found. */
const WITHIN_CM1 = 8;

/** Looks for a band where one was reported, and compares its fitted centre. */
export function checkSpectrum(
  spectrum: SpectrumReading,
  reported: Decimal,
  tolerance: Decimal,
): CheckedPeak {
  if (spectrum.kind !== 'read') return { fitted: null, fwhm: null, fault: null, numbers: {} };
  const { axis, intensity } = spectrum.values;
  const fit = fitPeak(axis, intensity, { near: Number(reported), within: WITHIN_CM1 });
  if (fit.kind !== 'peak') {
    const fault = `the spectrum shows no band there (${fit.kind}: ${fit.reason})`;
    return { fitted: null, fwhm: null, fault, numbers: {} };
  }
  const fitted = fit.centre.toFixed(2) as Decimal;
  const fwhm = fit.fwhm.toFixed(1) as Decimal;
  const distance = distanceOfDecimals(fitted, reported);
  const fault =
    compareDecimals(distance, tolerance) > 0
      ? `the spectrum has the band at ${fitted} cm-1, ${distance} apart, tolerance ${tolerance}`
      : null;
  return { fitted, fwhm, fault, numbers: { fitted, distance } };
}
