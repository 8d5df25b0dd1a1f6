import type { Instant } from '../formats/instant.js';
import type { BandPoint } from './performance-run.js';

/** Earlier results that bear on those of a bundle: of the same spectrum, noise, cover, operator or instrument. */
export interface SenseFacts {
  /** By the digest of the values. */
  readonly spectra: ReadonlyMap<string, readonly KnownMeasurement[]>;
  /** The latest of each key, see `NOISE_LOOK_BACK`. */
  readonly noise: ReadonlyMap<string, readonly KnownNoise[]>;
  /** By the normalised number of the cover. */
  readonly covers: ReadonlyMap<string, readonly KnownMeasurement[]>;
  /** Around the times of this bundle, on other instruments, by operator. */
  readonly operators: ReadonlyMap<string, readonly OperatorMeasurement[]>;
  /** The nearest known runs of the instrument before and behind those of the bundle, in its epoch. */
  readonly runBefore: KnownRun | null;
  readonly runBehind: KnownRun | null;
  /** Performance checks of the instrument in the epoch, before the last one of the bundle. */
  readonly checks: readonly KnownCheck[];
}

export interface KnownCheck {
  readonly checkId: string;
  readonly points: readonly BandPoint[];
}

export interface KnownMeasurement {
  /** Row of the result, its bundle, its place there, and the receipt it belongs to now. */
  readonly rowId: string;
  readonly bundleRowId: string;
  readonly pointer: string;
  readonly receiptId: string | null;
  readonly resultId: string;
  readonly instrument: string | null;
  readonly receiptScanned: string | null;
  readonly containerScanned: string | null;
  readonly material: string | null;
}

export interface KnownNoise extends KnownMeasurement {
  readonly steps: string;
  /** Of the values; identical spectra are another finding. */
  readonly spectrumSha256: string | null;
}

export interface OperatorMeasurement extends KnownMeasurement {
  readonly measuredAt: Instant;
}

export interface KnownRun {
  readonly run: number;
  readonly measuredAt: Instant;
}

export const NOTHING_KNOWN: SenseFacts = {
  spectra: new Map(),
  noise: new Map(),
  covers: new Map(),
  operators: new Map(),
  runBefore: null,
  runBehind: null,
  checks: [],
};
