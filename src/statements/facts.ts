import type { RecheckAnswer } from '../checks/recheck.js';
import type { Instant } from '../formats/instant.js';
import type { EntryMode } from '../intake/result-bundle.js';
import type { Inspection, ReceiptAttributePlan } from '../receipts/attribute-inspection.js';
import type { SamplingPlan } from '../receipts/sampling-plan.js';
import type { EvidenceScope } from '../reconciliation/discrepancies.js';
import type { ReceiptIdentity, StatementOutcome, StopKind } from '../records/statement-record.js';
import type { Signature } from '../signatures/signature.js';
import type { KnownService } from '../site/instrument-service.js';
import type { MeasuredSpan } from '../site/method-force.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Decision, Environment, Mode, Origin } from '../site/vocabulary.js';
import type {
  DeliveryFault,
  DeliveryState,
  DiscrepancyClass,
  ReceiptLinkKind,
  ReceiptStatus,
  ResultState,
} from '../storage/tables.js';
import type { CheckFact } from './performance-bracket.js';

/** What of the site folder a statement rests on. */
export type SiteRules = Pick<
  SiteFolder,
  | 'site'
  | 'environment'
  | 'instruments'
  | 'materials'
  | 'methods'
  | 'plans'
  | 'attributePlans'
  | 'decisions'
  | 'limits'
  | 'secondPerson'
  | 'destinations'
  | 'performance'
>;

export interface ReceiptFacts {
  readonly identity: ReceiptIdentity;
  /** False while only a scan named it. */
  readonly announced: boolean;
  /** Number of the expectation revision in force. */
  readonly revision: number;
  readonly receivedAt: Instant | null;
  readonly dockCount: number | null;
  readonly retestAt: Instant | null;
  /** Normalised. */
  readonly scanText: string;
  readonly plan: SamplingPlan | null;
  /** Inspections of labels and damage that it is asked for; left out: none. */
  readonly attributePlans?: readonly ReceiptAttributePlan[];
  /** Every area any revision announced it for: moving a receipt does not unhear an instrument. */
  readonly areas: readonly string[];
  /**
   * Earliest goods receipt any revision announced, null when one did not say: unowned evidence from after it
   * may be the receipt's, also when the receipt is dated later now.
   */
  readonly evidenceFrom: Instant | null;
  readonly status: ReceiptStatus;
  /** Printed name of who announced by hand what is in force; left out when a system did. */
  readonly byHand?: string;
  readonly lineage: LineageFacts;
  readonly rejections: readonly RejectionFact[];
}

/** A container that a signed act rejected; the latest act about it counts. */
export interface RejectionFact {
  readonly container: string;
  readonly signatureId: string;
  readonly isValid: boolean;
  /** Receipt that ERP split it off to; null while it is part of this one. */
  readonly splitOffTo: string | null;
}

/** A container rejected at a receipt that others began anew from. */
export interface OriginRejection {
  readonly id: string;
  readonly receiptId: string;
  readonly container: string;
  /** By its label it is one of those that came. */
  readonly isHere: boolean;
  /** It was rejected after they went, and no signed act knew of it. */
  readonly isSince: boolean;
}

/** A receipt that containers of this one came from. */
export interface OriginFact {
  readonly receiptId: string;
  readonly kind: ReceiptLinkKind;
  /** A signed act answers for what the source was when they went. */
  readonly isSigned: boolean;
  /** Of the source when they went; null when it had none. */
  readonly outcome: string | null;
  readonly hadStop: boolean;
  /** A reviewer had refused its statement last. */
  readonly refused: boolean;
  /** The recheck disagreed with a result that it had. */
  readonly disagreed: boolean;
  /** A contrary result was of it and went along; left out: none. */
  readonly hadContrary?: boolean;
  /** Results that speak against it, did not when they went, and were known to no signed act. */
  readonly contrarySince: number;
  /** A reviewer refused its statement, or that of what it went on as, after they went, and no signed act knew of it. */
  readonly refusedSince: boolean;
  /** Containers rejected there, or at what went on from it. */
  readonly rejected: readonly OriginRejection[];
  /** What stands at the source now. */
  readonly left: { readonly contrary: number; readonly unplaced: number; readonly open: number };
}

export interface LineageFacts {
  readonly origins: readonly OriginFact[];
  readonly departures: readonly {
    readonly receiptId: string;
    readonly kind: ReceiptLinkKind;
    /** Of this receipt when they went. */
    readonly outcome: string | null;
  }[];
  /** Containers of it that had gone elsewhere under their own labels from a receipt that it went on from; left out where none had. */
  readonly gone?: readonly {
    readonly receiptId: string;
    readonly kind: ReceiptLinkKind;
    readonly containers: readonly string[];
  }[];
  /** Texts of the receipts it was split off or merged from, under which its results may have been scanned. */
  readonly scanTexts: readonly string[];
  readonly places: readonly { readonly area: string | null; readonly receivedAt: Instant | null }[];
  /** Left out where no container has a serial number. */
  readonly elsewhere?: readonly DrumElsewhere[];
}

/** What speaks against a container with a serial number at a receipt that is none of its origins, or at none. */
export interface DrumElsewhere {
  /** null of what has no receipt. */
  readonly receiptId: string | null;
  /** True when that receipt lists or listed it; else it was only scanned there. */
  readonly isListed: boolean;
  /** Its label here. */
  readonly container: string;
  /** Row ids of results there that are about it, or name no container. */
  readonly against: readonly string[];
  readonly isRejected: boolean;
}

export interface ContainerFact {
  readonly label: string;
  readonly required: boolean;
}

/** One result of the receipt, in whatever state; null where the bundle was too broken to tell. */
export interface ResultFact {
  readonly rowId: string;
  readonly resultId: string;
  /** Counted up whenever it gets another place or is held; each is sent by itself. */
  readonly revision: number;
  readonly state: ResultState;
  readonly mode: Mode | null;
  readonly decision: Decision | null;
  /** Contrary by the pipeline's reading when it was taken in. */
  readonly contrary: boolean;
  readonly matchedMaterial: string | null;
  /** Material code the operator picked. */
  readonly material: string | null;
  readonly lot: string | null;
  readonly receiptScanned: string | null;
  readonly containerScanned: string | null;
  readonly containerLabel: string | null;
  /** How receipt and container were entered at the instrument; null where the record does not say. */
  readonly receiptEntry: EntryMode | null;
  readonly containerEntry: EntryMode | null;
  /** Second person who compared labels that were not scanned; null when nobody did. */
  readonly labelsVerifiedBy: string | null;
  readonly methodId: string | null;
  readonly methodVersion: string | null;
  readonly methodDigest: string | null;
  readonly recheck: RecheckAnswer | null;
  readonly measuredAt: Instant | null;
  /** With the doubt that an assumed offset leaves (rule 30); left out: none, it was stated. */
  readonly measuredSpan?: MeasuredSpan | null;
  readonly origin: Origin | null;
  readonly environment: Environment | null;
  readonly instrument: string | null;
  readonly runEpoch: number | null;
  readonly runNumber: number | null;
  /** True while it is to be compared with what other processes settled at the same moment; left out: it is not. */
  readonly awaitsSecondLook?: boolean;
  /** Digest of the result as its bundle holds it. */
  readonly elementSha256: string;
  /** The signed act that cleared or refused it; null when nobody reviewed it. */
  readonly review: ReviewFact | null;
  /** The signed cause of a contrary result (rule 12); null when nobody signed one. */
  readonly cause: ReviewFact | null;
  /** The signed act by which it is of this receipt and container (rule 25); null when the scan says so. */
  readonly attribution: AttributionFact | null;
}

/** With the lot that was read off the labels; null or left out where none was. */
export interface AttributionFact extends ReviewFact {
  readonly lot?: string | null;
}

/**
 * A result that may be the receipt's and is none of its results: proposed for it and not signed, or taken from it by a
 * signature that is void. It counts against the receipt as if it were its own, and never for it.
 */
export interface ClaimFact {
  readonly attributionId: string;
  readonly why: 'proposed' | 'void';
  /** With the container it would be of here. */
  readonly result: ResultFact;
}

/** A signature about a result. It is void once what was signed reads differently (rule 20). */
export interface ReviewFact {
  readonly signatureId: string;
  readonly isValid: boolean;
  /** JSON Pointers of what reads differently. */
  readonly changed: readonly string[];
}

/**
 * Latest build of one message about a result or withdrawal of the receipt at one destination. A list of them has the
 * later revisions of a result behind the earlier ones.
 */
export interface DeliveryFact {
  readonly deliveryId: string;
  readonly subjectKind: 'result' | 'withdrawal';
  /** `result.id` also for a withdrawal. */
  readonly resultRowId: string;
  /** Of the result that it speaks of. */
  readonly resultRevision: number;
  readonly destination: string;
  readonly state: DeliveryState;
  readonly fault: DeliveryFault | null;
  /** It had stopped, and a person had it sent again or built anew. */
  readonly isSentAgain?: boolean;
}

/** What a destination holds of a result and was never told to withdraw; see `UntoldWithdrawal`. */
export interface UntoldFact {
  /** Of the result as it is held there. */
  readonly deliveryId: string;
  readonly resultId: string;
  readonly destination: string;
  readonly revision: number;
}

export interface DiscrepancyFact {
  readonly id: string;
  readonly class: DiscrepancyClass;
  readonly subject: string;
  readonly detail: string;
  /** Owned by this receipt, or without owner and covering what its scope covers. */
  readonly owned: boolean;
  readonly scope: EvidenceScope;
}

export interface StopFact {
  readonly stopId: string;
  readonly kind: StopKind;
  readonly reason: string;
  readonly issuedAt: Instant;
  readonly statementRevision: number;
  /** When every acting destination had shown it; null before. */
  readonly effectiveAt: Instant | null;
  /** The signed act that lifted it; null while it is in force. */
  readonly lift: LiftFact | null;
}

/** What lifted a stop. Without a signature that names the stop it lifts nothing. */
export interface LiftFact {
  readonly signatureId: string;
  readonly isValid: boolean;
  readonly investigation: string;
  /** Statement revision from which the stop no longer counts. */
  readonly revision: number;
}

/** Whether new *conforms* may rest on a destination (rules 20 and 27). */
export interface WatchFact {
  readonly destination: string;
  /** The mapping declares something to be watched. */
  readonly isWatched: boolean;
  /** Why no new *conforms* may; null when they may. */
  readonly hold: string | null;
}

/** A result of the receipt of which somebody says that it belongs elsewhere, while nobody signed or declined that. */
export interface ProposedAwayFact {
  readonly attributionId: string;
  readonly resultId: string;
  readonly toReceipt: string;
  readonly toLabel: string;
}

/** Everything a statement is a function of, besides the instant. */
export interface StatementFacts {
  readonly site: SiteRules;
  readonly receipt: ReceiptFacts | null;
  readonly containers: readonly ContainerFact[];
  readonly results: readonly ResultFact[];
  /** What was inspected by its attribute plans; left out where it has none. */
  readonly inspections?: readonly Inspection[];
  readonly claims: readonly ClaimFact[];
  readonly proposedAway: readonly ProposedAwayFact[];
  /** Latest sync by serial, from bundles that were accepted. */
  readonly heardAt: ReadonlyMap<string, Instant>;
  /** Where instruments were in service by the folders in force; left out: nothing but the folder says so. */
  readonly service?: readonly KnownService[];
  readonly deliveries: readonly DeliveryFact[];
  /** Of the receipt's results, and of what was held of it there; without destinations that take no withdrawal. Left out: nothing. */
  readonly untold?: readonly UntoldFact[];
  /** Performance checks around the runs of the results, see `bracketOf`. */
  readonly checks: readonly CheckFact[];
  readonly discrepancies: readonly DiscrepancyFact[];
  readonly stops: readonly StopFact[];
  /** The latest signature of a second person about the statement, whatever it says; null when there is none. */
  readonly secondPerson: Signature | null;
  /** The latest signature of each site decision that the statement may rest on, by the decision's id. */
  readonly decisionSignatures: ReadonlyMap<string, Signature>;
  readonly watches: readonly WatchFact[];
  /** The latest revision is a *conforms*: what only holds new ones takes nothing from it. */
  readonly standsConforming: boolean;
  /** Expectation revision the latest *conforms* of this receipt was judged by; null when it never conformed. */
  readonly conformedAtReceiptRevision: number | null;
}

export interface PreviousStatement {
  readonly revision: number;
  readonly outcome: StatementOutcome;
  /** See `statementFingerprint`. */
  readonly fingerprint: string;
}
