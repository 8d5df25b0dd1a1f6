import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { BundleResult, PerformanceCheck, ResultBundle } from '../intake/result-bundle.js';
import type { Decision, Environment, Mode, Origin } from '../site/vocabulary.js';
import type { Finding } from './finding.js';
import type { SpectrumDigests } from './intensity-digest.js';
import type { PerformanceJudgement } from './judge-performance.js';
import type { Recheck } from './recheck.js';
import type { RunRange } from './run-ranges.js';
import type { NoisePattern } from './signal-region.js';
import type { SpectrumSummary, SpectrumValues } from './spectrum-values.js';

/** What examining a bundle's bytes by itself and against the site folder brings out. */
export type Examination = UnreadableExamination | ReadableExamination;

/** Bytes that cannot be called a bundle: refused. */
export interface UnreadableExamination {
  readonly kind: 'unreadable';
  readonly rawSha256: Sha256;
  readonly finding: Finding;
}

export interface ReadableExamination {
  readonly kind: 'readable';
  readonly rawSha256: Sha256;
  /** Same for bundles that say the same; null when there is more in the bundle than is looked at. */
  readonly canonicalDigest: Sha256 | null;
  readonly header: HeaderReading;
  /** null when the document does not have the shape of a bundle; `header` and `results` are read as far as possible. */
  readonly document: ResultBundle | null;
  /** About the bundle as a whole; one of severity hold holds it with all its results. */
  readonly bundleFindings: readonly Finding[];
  readonly results: readonly ExaminedResult[];
  readonly performanceChecks: readonly ExaminedCheck[];
  /** Runs the bundle holds a result or performance check for, ascending. */
  readonly accounted: readonly RunRange[];
  /** Runs between the declared first and last that it holds nothing for. */
  readonly missing: readonly RunRange[];
  /** Results past the site's limit, not looked at: evidence without an owner. */
  readonly resultsNotRead: number;
}

/** Header fields as far as they can be read; a field of another type or form is null. */
export interface HeaderReading {
  readonly bundleId: string;
  readonly site: string | null;
  readonly environment: Environment | null;
  readonly origin: Origin | null;
  readonly instrumentSerial: string | null;
  readonly syncPc: string | null;
  readonly runEpoch: number | null;
  readonly runFirst: number | null;
  readonly runLast: number | null;
  readonly previousBundle: string | null;
  readonly createdAt: Instant | null;
  /** Both clocks at sync. */
  readonly instrumentClock: Instant | null;
  readonly syncPcClock: Instant | null;
}

/** Columns of a result as far as they can be read. */
export interface ResultReading {
  readonly resultId: string | null;
  readonly runNumber: number | null;
  readonly mode: Mode | null;
  /** null when it is none of the known decisions; such a result counts as contrary. */
  readonly decision: Decision | null;
  readonly receiptScanned: string | null;
  readonly containerScanned: string | null;
  readonly material: string | null;
  /** Material of the best candidate of a match. */
  readonly matchedMaterial: string | null;
  readonly lot: string | null;
  readonly methodId: string | null;
  readonly methodVersion: string | null;
  readonly operatorId: string | null;
  readonly measuredAt: Instant | null;
  readonly measuredText: string | null;
  /** Against the material the operator picked; `applyHistory` answers against the receipt's. */
  readonly contrary: boolean;
}

export interface ExaminedResult {
  /** `/results/<index>`. */
  readonly pointer: string;
  readonly reading: ResultReading;
  /** SHA-256 of the element's RFC 8785 form: what `KnownResult.sha256` is compared with. */
  readonly sha256: Sha256;
  readonly findings: readonly Finding[];
  readonly recheck: Recheck;
  readonly spectrum: SpectrumSummary | null;
  /** Of its intensities, see `intensityDigest`; no part of the record. */
  readonly intensitySha256: Sha256 | null;
  readonly values: SpectrumValues | null;
  /** Noise to be compared with that of other containers; null where the site does not ask for it. */
  readonly pattern: NoisePattern | null;
  /** null when the document does not have the shape of a bundle. */
  readonly result: BundleResult | null;
}

export interface ExaminedCheck {
  /** `/performanceChecks/<index>`. */
  readonly pointer: string;
  readonly sha256: Sha256;
  readonly check: PerformanceCheck | null;
  readonly checkedAt: Instant | null;
  /** null when the document does not have the shape of a bundle. */
  readonly judgement: PerformanceJudgement | null;
}

/** What copies of a result's spectrum are known by. */
export function spectrumDigestsOf({
  spectrum,
  intensitySha256,
}: Pick<ExaminedResult, 'spectrum' | 'intensitySha256'>): SpectrumDigests {
  return { sha256: spectrum?.sha256 ?? null, intensitySha256 };
}

/** True when one of the findings holds what it is about. */
export function isHeld(findings: readonly Finding[]): boolean {
  return findings.some((finding) => finding.severity === 'hold');
}
