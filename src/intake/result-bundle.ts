import type { Decimal } from '../formats/decimal.js';
import type { Decision, Environment, Mode, Origin } from '../site/vocabulary.js';

/**
 * The result bundle, version 1.0: what an instrument's sync PC hands over. The shape is fixed by
 * `schemas/result-bundle.schema.json`; these types are what a document that passed it looks like.
 * Fields the schema does not know are kept in the stored bytes and ignored here.
 */
export const BUNDLE_FORMAT = 'drumline-result-bundle';
export const BUNDLE_VERSION = '1.0';
/** Name of the document in a zip archive, beside the files it names. */
export const BUNDLE_DOCUMENT = 'bundle.json';

/** How a label came into the instrument. Anything but `scanned` asks a person to look at the label. */
export type EntryMode = 'scanned' | 'typed' | 'chosen' | 'carried-over';
export type TimeSource = 'instrument' | 'sync-pc' | 'assumed';
export type Place = 'dock' | 'receiving' | 'dispensary' | 'laboratory';
export type PresentationKind =
  | 'direct'
  | 'through-packaging'
  | 'closed-chamber'
  | 'immersion-probe'
  | 'other';

export interface ScannedLabel {
  /** The raw scan, byte for byte as text. */
  readonly scanned: string;
  readonly entry: EntryMode;
}

export interface EncodedArray {
  readonly encoding: 'base64';
  readonly width: 'float32' | 'float64';
  /** Little-endian IEEE 754 values packed end to end, base64 (RFC 4648 with padding). */
  readonly data: string;
}

export interface PlainArray {
  readonly encoding: 'numbers';
  readonly values: readonly number[];
}

export interface EvenAxis {
  readonly encoding: 'even';
  /** First value and step, cm-1. Value i is start + i × step. */
  readonly start: Decimal;
  readonly step: Decimal;
}

export interface Spectrum {
  readonly points: number;
  /** Raman shift, cm-1. */
  readonly axis: EncodedArray | PlainArray | EvenAxis;
  /** Intensity in the unit named. */
  readonly intensity: EncodedArray | PlainArray;
  readonly intensityUnit: 'counts' | 'counts-per-second' | 'arbitrary';
}

/** A spectrum that lies as a file of its own beside `bundle.json` in a zip archive. */
export interface SpectrumFile {
  /** Name of the entry, letter for letter. */
  readonly file: string;
  /** Of the file's bytes, lower-case hex; stands in the element, and so takes part in its digest. */
  readonly sha256: string;
  readonly format: 'jcamp-dx' | 'csv';
  readonly points: number;
  readonly intensityUnit: Spectrum['intensityUnit'];
}

export function isSpectrumFile(spectrum: Spectrum | SpectrumFile): spectrum is SpectrumFile {
  return 'file' in spectrum;
}

export interface ReportedScore {
  /** Name of the algorithm as the instrument states it, e.g. `squared-correlation`. */
  readonly algorithm: string;
  readonly value: Decimal;
  readonly threshold: Decimal | null;
}

export interface Candidate {
  readonly material: string;
  readonly score: Decimal;
}

export interface Acquisition {
  readonly integrationTimeMs?: Decimal;
  readonly accumulations?: number;
  readonly laserPowerMw?: Decimal;
  readonly backgroundSubtracted?: boolean;
}

export interface BundleResult {
  readonly runNumber: number;
  readonly resultId: string;
  readonly mode: Mode;
  readonly receipt: ScannedLabel | null;
  readonly container: ScannedLabel | null;
  /** Material code the operator picked; the receipt says what was expected. */
  readonly material: string | null;
  readonly lot: string | null;
  readonly method: { readonly id: string; readonly version: string };
  readonly operatorId: string;
  readonly measuredAt: string;
  readonly timeSource: TimeSource;
  readonly place: Place;
  readonly presentation: {
    readonly kind: PresentationKind;
    /** What lay between instrument and material, in words, e.g. `polyethylene liner`. */
    readonly between?: string;
    readonly probeCover?: string;
  };
  readonly acquisition: Acquisition;
  readonly decision: Decision;
  readonly score: ReportedScore | null;
  readonly candidates: readonly Candidate[];
  readonly spectrum: Spectrum | SpectrumFile | null;
  readonly remarks: readonly { readonly name: string; readonly text: string }[];
  readonly supersedes: { readonly resultId: string; readonly reason: string } | null;
}

export interface PerformanceCheck {
  readonly runNumber: number;
  readonly checkId: string;
  readonly checkedAt: string;
  /** Reference standard, e.g. `polystyrene`. */
  readonly standard: string;
  /** Observed band positions, cm-1, beside the published or certified ones the instrument compared with. */
  readonly shifts: readonly { readonly expected: Decimal; readonly observed: Decimal }[];
  readonly outcome: 'pass' | 'fail';
  readonly spectrum: Spectrum | SpectrumFile | null;
}

export interface ManifestPart {
  /** JSON Pointer of an array element, e.g. `/results/3`. */
  readonly pointer: string;
  /** SHA-256 of the element's RFC 8785 form, lower-case hex. */
  readonly sha256: string;
}

export interface ResultBundle {
  readonly format: typeof BUNDLE_FORMAT;
  readonly version: typeof BUNDLE_VERSION;
  readonly bundleId: string;
  readonly site: string;
  readonly createdAt: string;
  readonly syncPc: { readonly id: string };
  readonly origin: Origin;
  readonly environment: Environment;
  readonly instrument: {
    readonly serial: string;
    readonly model: string;
    readonly firmware: string;
    readonly laserWavelengthNm: Decimal;
  };
  /**
   * Run numbers count results and performance checks alike, in order. `first` and `last` bound this
   * bundle; an empty bundle has first = null and states the instrument's last run number so far.
   */
  readonly runs: {
    readonly epoch: number;
    readonly first: number | null;
    readonly last: number;
  };
  /**
   * SHA-256 of the raw bytes of this instrument's bundle before this one, across epochs; null for its very
   * first or when unknown.
   */
  readonly previousBundle: string | null;
  /** Both clocks read at the moment of sync. */
  readonly clocks: { readonly instrument: string; readonly syncPc: string };
  /** IANA name. */
  readonly timeZone: string;
  readonly performanceChecks: readonly PerformanceCheck[];
  readonly methods: readonly {
    readonly id: string;
    readonly version: string;
    /** SHA-256 of the method's content, see `methodContentDigest`. */
    readonly digest: string;
  }[];
  readonly operators: readonly { readonly id: string; readonly name: string }[];
  readonly results: readonly BundleResult[];
  readonly auditEvents: readonly {
    readonly at: string;
    readonly actor: string;
    readonly action: string;
    readonly detail?: string;
  }[];
  readonly manifest: {
    readonly counts: {
      readonly results: number;
      readonly performanceChecks: number;
      readonly auditEvents: number;
    };
    readonly parts: readonly ManifestPart[];
  };
}
