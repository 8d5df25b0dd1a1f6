import type { Instant } from '../formats/instant.js';
import type { SpectrumDigests } from './intensity-digest.js';
import type { BandPoint } from './performance-run.js';

/** Earlier results that bear on those of a bundle: of the same spectrum, noise, cover, operator or instrument. */
export interface SenseFacts {
  /** By each of the digests that a result of the bundle shares with them, see `isSameSpectrum`. */
  readonly spectra: ReadonlyMap<string, readonly KnownMeasurement[]>;
  /** The latest of each method and key and of all, see `NOISE_LOOK_BACK`, the latest first. */
  readonly noise: readonly KnownNoise[];
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

export interface KnownNoise extends KnownMeasurement, SpectrumDigests {
  readonly noise: StoredNoise;
}

/** See `NoisePattern`. */
export interface StoredNoise {
  readonly key: string;
  /** null of results that were stored before it was kept. */
  readonly method: string | null;
  readonly steps: string;
  /** null of results that were stored before it was kept. */
  readonly curve: string | null;
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
  noise: [],
  covers: new Map(),
  operators: new Map(),
  runBefore: null,
  runBehind: null,
  checks: [],
};
