import type { Instant } from '../formats/instant.js';
import type {
  ConditionState,
  EvidenceReference,
  ReceiptIdentity,
  StatementContainer,
  StatementRecord,
} from '../records/statement-record.js';
import type { ShownSignature } from '../statements/review-view.js';
import type { DeliveryRow, ReceiptRevisionRow } from '../storage/tables.js';
import type { DiscrepancyGroupView, MomentView, SiteView } from './day-view.js';
import { moment, momentOf } from './local-time.js';
import { inPlainWords } from './plain-text.js';
import { CONDITION_NEXT, CONDITION_TITLES, DELIVERY_WORDS, EVIDENCE_ELSEWHERE } from './wording.js';

/** Everything the page of one receipt line shows. */
export interface ReceiptView {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly receipt: ReceiptIdentity;
  /** null while no statement was made. */
  readonly statement: StatementView | null;
  readonly deliveries: readonly DeliveryView[];
  readonly reviews: readonly ReceiptReviewView[];
  /** One more than the page lists, where there are more. */
  readonly contrary: readonly ContraryResultView[];
  readonly discrepancies: readonly DiscrepancyGroupView[];
  /** Revisions of the announcement, the latest first; none where nobody announced it. */
  readonly history: readonly ReceiptRevisionView[];
  /** Labels of containers that are rejected by a signature that holds, and not split off yet. */
  readonly rejected: ReadonlySet<string>;
  /** Receipts that containers of it came from. */
  readonly cameFrom: readonly string[];
  /** False once it is cancelled, split or merged, and while only a scan named it. */
  readonly isOpen: boolean;
}

export interface ReceiptRevisionView {
  readonly revision: number;
  readonly at: MomentView;
  /** How it came: by hand by whom and why, from which source and document, or the reason of a change. */
  readonly how: string;
  readonly who: string;
}

/** A result that speaks against the receipt. */
export interface ContraryResultView {
  readonly rowId: string;
  readonly name: string;
  readonly decision: string | null;
  readonly state: string;
  readonly cause: CauseStanding;
}

/** What was signed last about the cause of a contrary result: nothing, what holds, or what is void and changes nothing. */
export type CauseStanding = 'none' | 'signed' | 'void';

/** A result of the receipt that is held, or that somebody signed about. */
export interface ReceiptReviewView {
  readonly rowId: string;
  readonly name: string;
  readonly state: string;
  readonly signature: ShownSignature | null;
}

export interface StatementView {
  readonly outcome: StatementRecord['outcome'];
  readonly revision: number;
  readonly factsVersion: number;
  readonly evaluatedAt: MomentView;
  readonly validUntil: MomentView;
  /** True once nothing may be done on the strength of this evaluation any more. */
  readonly isOver: boolean;
  readonly conditions: readonly ConditionView[];
  readonly containers: readonly StatementContainer[];
  readonly plan: StatementRecord['plan'];
  readonly decisions: StatementRecord['decisions'];
  readonly stop:
    | (Omit<NonNullable<StatementRecord['stopInForce']>, 'issuedAt'> & {
        readonly issuedAt: MomentView;
      })
    | null;
}

export interface ConditionView {
  readonly title: string;
  readonly state: ConditionState;
  readonly found: string;
  /** What a person does about it; null when it is met. */
  readonly next: string | null;
  /** Section of the page that holds its evidence when it lists none. */
  readonly evidenceIn: 'containers' | 'deliveries' | null;
  readonly evidence: readonly EvidenceReference[];
}

export interface DeliveryView {
  readonly deliveryId: string;
  readonly destination: string;
  /** result, withdrawal, statement or stop, with the revision it speaks of. */
  readonly message: string;
  /** The result and its container as people know them, else the subject's id. */
  readonly subject: string;
  /** Row id of the result it is of; absent for any other message. */
  readonly resultRowId?: string;
  readonly revision: number;
  readonly state: string;
  readonly attempts: number;
  readonly acceptedAt: MomentView | null;
  readonly confirmedAt: MomentView | null;
  readonly reference: string | null;
  readonly reason: string | null;
}

/** The columns of a delivery that the page shows. */
export type ShownDelivery = Pick<
  DeliveryRow,
  | 'id'
  | 'destination'
  | 'message'
  | 'subject_id'
  | 'subject_revision'
  | 'state'
  | 'attempts'
  | 'accepted_at'
  | 'confirmed_at'
  | 'destination_reference'
  | 'reason'
>;

export interface ReceiptFacts {
  readonly site: SiteView;
  readonly now: Instant;
  readonly receipt: ReceiptIdentity;
  readonly statement: StatementRecord | null;
  /** In the order to show. */
  readonly deliveries: readonly ShownDelivery[];
  /** Names of results by their row id. */
  readonly resultNames: ReadonlyMap<string, string>;
  /** None when left out. */
  readonly reviews?: readonly ReceiptReviewView[];
  /** None when left out. */
  readonly contrary?: readonly ContraryResultView[];
  readonly discrepancies: readonly DiscrepancyGroupView[];
  /** None when left out. */
  readonly revisions?: readonly ShownRevision[];
  /** None when left out. */
  readonly rejected?: ReadonlySet<string>;
  /** None when left out. */
  readonly cameFrom?: readonly string[];
  /** Announced and neither cancelled, split nor merged; false when left out. */
  readonly isOpen?: boolean;
}

export type ShownRevision = Pick<ReceiptRevisionRow, 'revision' | 'source' | 'actor' | 'at'>;

export function buildReceiptView(facts: ReceiptFacts): ReceiptView {
  const zone = facts.site.timeZone;
  const asOf = moment(facts.now, zone);
  return {
    site: facts.site,
    asOf,
    receipt: facts.receipt,
    statement: facts.statement === null ? null : statementView(facts.statement, zone, asOf),
    deliveries: facts.deliveries.map((row) => deliveryView(row, facts.resultNames, zone)),
    reviews: facts.reviews ?? [],
    contrary: facts.contrary ?? [],
    discrepancies: facts.discrepancies,
    rejected: facts.rejected ?? new Set(),
    cameFrom: facts.cameFrom ?? [],
    isOpen: facts.isOpen ?? false,
    history: (facts.revisions ?? []).map(({ revision, source, actor, at }) => ({
      revision,
      at: moment(at, zone),
      how: source,
      who: actor,
    })),
  };
}

function statementView(statement: StatementRecord, zone: string, asOf: MomentView): StatementView {
  const validUntil = momentOf(statement.validUntil, zone);
  const stop = statement.stopInForce;
  return {
    outcome: statement.outcome,
    revision: statement.revision,
    factsVersion: statement.factsVersion,
    evaluatedAt: momentOf(statement.evaluatedAt, zone),
    validUntil,
    // Both are RFC 3339 in UTC with six decimals, which sort as text.
    isOver: validUntil.iso <= asOf.iso,
    conditions: statement.conditions.map((condition) => ({
      title: CONDITION_TITLES[condition.code],
      state: condition.state,
      found: inPlainWords(condition.found, zone),
      next: condition.state === 'met' ? null : CONDITION_NEXT[condition.code],
      evidenceIn: condition.state === 'met' ? (EVIDENCE_ELSEWHERE[condition.code] ?? null) : null,
      evidence: condition.evidence,
    })),
    containers: statement.containers,
    plan: statement.plan,
    decisions: statement.decisions,
    stop:
      stop === null
        ? null
        : {
            ...stop,
            reason: inPlainWords(stop.reason, zone),
            issuedAt: momentOf(stop.issuedAt, zone),
          },
  };
}

function deliveryView(
  row: ShownDelivery,
  resultNames: ReadonlyMap<string, string>,
  zone: string,
): DeliveryView {
  return {
    deliveryId: row.id,
    destination: row.destination,
    message: row.message,
    subject: resultNames.get(row.subject_id) ?? row.subject_id,
    ...(row.message === 'result' ? { resultRowId: row.subject_id } : {}),
    revision: row.subject_revision,
    state: DELIVERY_WORDS[row.state],
    attempts: row.attempts,
    acceptedAt: row.accepted_at === null ? null : moment(row.accepted_at, zone),
    confirmedAt: row.confirmed_at === null ? null : moment(row.confirmed_at, zone),
    reference: row.destination_reference,
    reason: row.reason,
  };
}
