import type { Recheck } from '../checks/recheck.js';
import type { SpectrumSummary } from '../checks/spectrum-values.js';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Decimal } from '../formats/decimal.js';
import type {
  Acquisition,
  Candidate,
  Place,
  PresentationKind,
  ReportedScore,
  ScannedLabel,
  TimeSource,
} from '../intake/result-bundle.js';
import type { Decision, Environment, Mode, Origin } from '../site/vocabulary.js';

export const RECORD_SCHEMA = 'drumline-result-record';
export const RECORD_VERSION = '1.0';

/**
 * The canonical record of one result revision: everything that was reported, in the words and digits of
 * the report, plus what the gateway found. Fixed by `schemas/result-record.schema.json`.
 */
export interface ResultRecord {
  readonly schema: typeof RECORD_SCHEMA;
  readonly version: typeof RECORD_VERSION;
  readonly site: string;
  readonly resultId: string;
  readonly revision: number;
  readonly environment: Environment;
  readonly origin: Origin;
  readonly bundle: {
    readonly bundleId: string;
    readonly sha256: Sha256;
    readonly receivedAt: string;
    /** JSON Pointer of the result in the bundle. */
    readonly pointer: string;
    readonly syncPc: string;
  };
  readonly instrument: {
    readonly serial: string;
    readonly model: string;
    readonly firmware: string;
    readonly laserWavelengthNm: Decimal;
  };
  readonly run: { readonly epoch: number; readonly number: number };
  readonly mode: Mode;
  readonly receipt: ScannedLabel | null;
  readonly container: ScannedLabel | null;
  readonly material: string | null;
  readonly lot: string | null;
  readonly method: {
    readonly id: string;
    readonly version: string;
    readonly digest: string | null;
  };
  readonly operator: { readonly id: string; readonly name: string | null };
  readonly measuredAt: {
    /** As reported, with its offset. */
    readonly reported: string;
    readonly utc: string;
    readonly source: TimeSource;
    /** IANA zone the bundle states. */
    readonly zone: string;
  };
  readonly place: Place;
  readonly presentation: {
    readonly kind: PresentationKind;
    readonly between: string | null;
    readonly probeCover: string | null;
  };
  readonly acquisition: Acquisition;
  readonly decision: Decision;
  readonly score: ReportedScore | null;
  readonly candidates: readonly Candidate[];
  readonly recheck: Recheck;
  readonly spectrum: SpectrumSummary | null;
  readonly remarks: readonly { readonly name: string; readonly text: string }[];
  readonly supersedes: { readonly resultId: string; readonly reason: string } | null;
  /** Codes of the findings that remark on this result without holding it. */
  readonly findings: readonly string[];
}

/** A result held or superseded after delivery: tells every destination that has it. */
export interface WithdrawalRecord {
  readonly schema: 'drumline-withdrawal';
  readonly version: '1.0';
  readonly site: string;
  readonly withdrawalId: string;
  readonly resultId: string;
  readonly resultRevision: number;
  readonly reason: string;
  readonly issuedAt: string;
  readonly environment: Environment;
  readonly receiptId: string | null;
}
