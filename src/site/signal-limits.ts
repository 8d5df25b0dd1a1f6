import type { Sha256 } from '../formats/canonical-json.js';
import type { Decimal } from '../formats/decimal.js';

/**
 * Limits of the checks on signal quality, on how a measurement was made and on its pace: `signal-limits.yaml` of the
 * site folder. Every limit is the site's own and names its source. None has a default: a check whose limit is left
 * out is not run.
 */
export interface SignalLimits {
  readonly detectors: readonly DetectorLimits[];
  readonly peaks: PeakLimits;
  /** Largest correlation of the noise of two containers. */
  readonly noiseCorrelationMax?: Limit;
  readonly methods: readonly MethodSignal[];
  readonly packaging: readonly PackagingSignal[];
  readonly lasers: readonly { readonly material: string; readonly powerMaxMw: Limit }[];
  readonly ambientLight: AmbientLimits;
  readonly pace: PaceLimits;
}

/** A number with the place it was taken from. */
export interface Limit {
  readonly value: Decimal;
  readonly source: string;
}

/** Raman shifts, cm-1, both ends inclusive. */
export interface Region {
  readonly from: Decimal;
  readonly to: Decimal;
}

/** By instrument model. */
export interface DetectorLimits {
  readonly model: string;
  /** Value that the converter shows when it can count no further. */
  readonly ceilingCounts?: Limit;
  /** Up to which the detector was shown to be linear. */
  readonly linearMaxCounts?: Limit;
  /** Spectral resolution, full width at half height, cm-1: no band is narrower. */
  readonly resolutionCm1?: Limit;
  /** Longest integration time the automatic exposure takes. */
  readonly exposureMaxMs?: Limit;
}

/** What counts as a peak, in multiples of the noise, and how far it may lie from where it is expected. */
export interface PeakLimits {
  readonly spikeNoiseMultiple?: Limit;
  readonly bandNoiseMultiple?: Limit;
  readonly bandToleranceCm1?: Limit;
}

/** Of one method version: where its band and its peak-free region lie, and what they must show. */
export interface MethodSignal {
  readonly method: string;
  readonly version: string;
  readonly peak?: Region;
  readonly noise?: Region;
  readonly heightMinCounts?: Limit;
  /** Least height when the automatic exposure is at its maximum. */
  readonly heightAtExposureMaxCounts?: Limit;
  readonly signalToNoiseMin?: Limit;
  readonly backgroundToHeightMax?: Limit;
  readonly packaging?: { readonly validated: readonly string[]; readonly source: string };
}

export interface PackagingSignal {
  readonly name: string;
  readonly source: string;
  /** Positions of its bands, cm-1. */
  readonly bands: readonly Decimal[];
  /** So many of them together are a sign of it. */
  readonly bandsMin: number | null;
  /** With the range and the score from which a trace counts as that of the packaging. */
  readonly reference: {
    readonly spectrum: PackagingCurve;
    readonly range: Region;
    readonly scoreMin: Limit;
  } | null;
}

/** On a strictly ascending axis, cm-1; the digest is that of the file's bytes. */
export interface PackagingCurve {
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
  readonly sha256: Sha256;
}

export interface AmbientLimits {
  /** Wavelengths of lamp lines, nm. */
  readonly lampLinesNm?: readonly Decimal[];
  readonly linesMin?: Limit;
  /** Largest difference between the two ends of the background, in heights of the method's band. */
  readonly backgroundRiseMax?: Limit;
}

export interface PaceLimits {
  readonly secondsBetweenRunsMin?: Limit;
  /** Between measurements of one operator in two receiving areas. */
  readonly secondsBetweenAreasMin?: Limit;
}
