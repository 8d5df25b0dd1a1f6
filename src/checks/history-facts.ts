import type { Instant } from '../formats/instant.js';
import type { Finding } from './finding.js';
import type { RunRange } from './run-ranges.js';
import type { SenseFacts } from './sense-facts.js';

/** What the store knows that bears on a bundle; loaded in the transaction that uses the answer. */
export interface HistoryFacts {
  /** null when nothing came from this instrument yet. */
  readonly instrument: InstrumentHistory | null;
  /** Content digest of the bundle taken before under the same bundle id; null when there is none. */
  readonly sameBundleId: string | null;
  /** Results of the site by result id, at least those with ids of this bundle. */
  readonly results: ReadonlyMap<string, KnownResult>;
  /** SHA-256 of the RFC 8785 form of known performance checks, by check id. */
  readonly performanceChecks: ReadonlyMap<string, string>;
  /**
   * Instruments and epochs as whose runs results and performance checks of other bundles stand, by `sha256` of what they
   * are; bundles that are held or refused left out. Nothing is compared with them when it is left out.
   */
  readonly places?: ReadonlyMap<string, readonly RunPlace[]>;
  /** By the text a scan showed, exactly as the bundle has it. */
  readonly receipts: ReadonlyMap<string, ReceiptFacts>;
  /** Nothing is compared with earlier measurements when it is left out. */
  readonly sense?: SenseFacts;
}

export interface InstrumentHistory {
  /** Highest epoch heard of. */
  readonly epoch: number;
  /** Highest run number that a bundle stated or held in that epoch. */
  readonly lastRun: number;
  /** Runs that bundles before this one hold something for (`ReadableExamination.accounted`), of every epoch. */
  readonly covered: readonly RunRange[];
  /** SHA-256 of the raw bytes of this instrument's bundles, at least of the one that is named as previous. */
  readonly bundles: ReadonlySet<string>;
  /**
   * How the lowest epoch known began, while the bundle is of one below it: nobody asked then what it followed on. Digests
   * that its first bundles name and that were not taken, null for one that names none; nothing is asked when left out.
   */
  readonly unaskedBeginnings?: {
    readonly epoch: number;
    readonly missing: readonly (string | null)[];
  };
}

export interface KnownResult {
  /** SHA-256 of the RFC 8785 form of the result as its bundle holds it (`ExaminedResult.sha256`). */
  readonly sha256: string;
  /** True while every copy of it lies in a bundle that is held or was refused, so that none can stand. */
  readonly isOutWithBundle?: boolean;
}

/** Where a run is counted. */
export interface RunPlace {
  readonly instrument: string;
  readonly epoch: number;
}

export interface ReceiptFacts {
  readonly receiptId: string;
  readonly announced: boolean;
  /** Material ERP expects; null while unknown. */
  readonly material: string | null;
  readonly receivedAt: Instant | null;
}

/** new: first of its id; repeated: known with the same content; conflict: known with other content. */
export type Standing = 'new' | 'repeated' | 'conflict';

/** About a result of an earlier bundle. */
export interface EarlierFinding {
  readonly rowId: string;
  readonly bundleRowId: string;
  /** It belonged to when it was read. */
  readonly receiptId: string | null;
  readonly finding: Finding;
}

export interface HistoryAnswer {
  readonly bundle: Standing;
  readonly bundleFindings: readonly Finding[];
  /** In the order of the examination's results. */
  readonly results: readonly ResultHistory[];
  /** What these results say about earlier ones, at most one of each code about one. */
  readonly onEarlier: readonly EarlierFinding[];
  /**
   * Every gap of the bundle's epoch once the bundle is taken: open a discrepancy for each that has none.
   */
  readonly gaps: readonly RunRange[];
  /** Epochs of which this bundle shows that nothing says the one before was heard to its end; most often none. */
  readonly unjoinedEpochs: readonly UnjoinedEpoch[];
  /** Runs accounted for before that this bundle holds again with something else. */
  readonly overlaps: readonly RunRange[];
}

/** An epoch that begins behind a bundle that was not taken, or that it does not name. */
export interface UnjoinedEpoch {
  readonly epoch: number;
  /** SHA-256 of the bytes of the bundle that is missing; null when none is named. */
  readonly previousBundle: string | null;
}

export interface ResultHistory {
  readonly pointer: string;
  readonly standing: Standing;
  /** Repeats a result that is held with its bundle: this copy is kept, held, for a reviewer to choose. */
  readonly repeatsHeld: boolean;
  readonly findings: readonly Finding[];
  readonly expectedMaterial: string | null;
  /** Against the material the receipt expects, or the operator's pick while that is unknown. */
  readonly contrary: boolean;
}
