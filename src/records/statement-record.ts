import type { Environment } from '../site/vocabulary.js';

export const STATEMENT_SCHEMA = 'drumline-statement';
export const STATEMENT_VERSION = '1.0';

export type StatementOutcome = 'conforms' | 'does-not-conform' | 'incomplete';

/** Whole closed vocabulary, for decision tables and mapping checks. */
/** Characters of the reason of a stop. */
export const STOP_REASON_MAX = 1_000;

export const STATEMENT_OUTCOMES: readonly StatementOutcome[] = [
  'conforms',
  'does-not-conform',
  'incomplete',
];

export type StopKind = 'suspend' | 'withdraw';
export const STOP_KINDS: readonly StopKind[] = ['suspend', 'withdraw'];

/** met: holds; unmet: not yet; contradicted: evidence against; not-evaluated: nothing to judge by. */
export type ConditionState = 'met' | 'unmet' | 'contradicted' | 'not-evaluated';

export type ConditionCode =
  | 'receipt-known'
  | 'plan-in-force'
  | 'coverage'
  | 'no-contrary-result'
  | 'recheck'
  | 'methods-by-content'
  | 'origin-and-environment'
  | 'heard-from-every-instrument'
  | 'deliveries-confirmed'
  | 'no-open-discrepancy'
  | 'no-stop-in-force'
  | 'further-identity-tests'
  | 'retest-date'
  | 'second-person'
  | 'performance-brackets'
  | 'labels-verified'
  | 'receipt-undivided'
  | 'destination-unchanged'
  /** Only where the site asks for an inspection of the receipt's labels or damage. */
  | 'attribute-inspections';

export interface EvidenceReference {
  /** `result`, `container`, `instrument`, `delivery`, `discrepancy`, `decision`, `stop`, `receipt-revision`, `announced-by-hand`, `inspection`. */
  readonly kind: string;
  readonly id: string;
}

export interface Condition {
  readonly code: ConditionCode;
  readonly state: ConditionState;
  /** What was found, in words with numbers. */
  readonly found: string;
  readonly evidence: readonly EvidenceReference[];
}

export interface ReceiptIdentity {
  readonly receiptId: string;
  readonly receiptNumber: string | null;
  readonly line: string | null;
  readonly material: string | null;
  readonly manufacturer: string | null;
  readonly supplier: string | null;
  readonly supplierLot: string | null;
  readonly siteLot: string | null;
  readonly area: string | null;
}

export interface StatementContainer {
  readonly label: string;
  readonly required: boolean;
  readonly state: 'covered' | 'not-measured' | 'contrary' | 'not-required';
  readonly resultIds: readonly string[];
}

/** What is said of one receipt line and the containers it lists, at one revision. */
export interface StatementRecord {
  readonly schema: typeof STATEMENT_SCHEMA;
  readonly version: typeof STATEMENT_VERSION;
  readonly site: string;
  readonly environment: Environment;
  readonly receipt: ReceiptIdentity;
  readonly revision: number;
  readonly factsVersion: number;
  readonly outcome: StatementOutcome;
  readonly evaluatedAt: string;
  readonly validUntil: string;
  readonly conditions: readonly Condition[];
  readonly containers: readonly StatementContainer[];
  readonly plan: {
    readonly kind: string;
    readonly required: number;
    readonly decision: string;
    /** Once containers failed: what follows each of them, how many failed, and how many more are required for it. */
    readonly afterFailure?: {
      readonly rule: 'every' | number;
      readonly failures: number;
      readonly further: number;
    };
  } | null;
  /** Site decisions the statement rests on, shown wherever it is shown. */
  readonly decisions: readonly {
    readonly id: string;
    readonly rule: string;
    readonly decidedBy: string;
    readonly date: string;
    readonly reason: string;
    /** Who signed it and when (RFC 3339); left out while nobody did, or the signature is void. */
    readonly signature?: {
      readonly signatureId: string;
      readonly printedName: string;
      readonly at: string;
    };
  }[];
  readonly stopInForce: StopRecord | null;
}

export interface StopRecord {
  readonly stopId: string;
  readonly kind: StopKind;
  readonly reason: string;
  readonly issuedAt: string;
  /** Statement revision this stop is the message of. */
  readonly statementRevision: number;
}
