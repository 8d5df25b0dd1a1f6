import { addMs, type Instant } from '../formats/instant.js';
import type {
  Condition,
  ConditionCode,
  ReceiptIdentity,
  StatementContainer,
  StatementOutcome,
  StatementRecord,
} from '../records/statement-record.js';
import type { Environment } from '../site/vocabulary.js';
import { type Assessment, assessEvidence } from './assess-evidence.js';
import { condition } from './condition.js';
import { approvalOf, notRecomputableBy, registeredMethod } from './covering-result.js';
import { shownDecisions } from './decisions.js';
import * as evidence from './evidence-conditions.js';
import type { ReceiptFacts, StatementFacts } from './facts.js';
import { attributeInspections } from './inspection-conditions.js';
import { labelsVerified } from './label-conditions.js';
import { receiptUndivided } from './lineage-conditions.js';
import { performanceBrackets } from './performance-brackets.js';
import { secondPerson } from './second-person.js';
import { spareDeliveries } from './spare-deliveries.js';
import * as standing from './standing-conditions.js';
import { type StatementEvidence, statementEvidence } from './statement-evidence.js';

/**
 * Every condition that each statement has, in the order in which it is shown. `attribute-inspections` comes behind them,
 * where the receipt is asked for one.
 */
export const CONDITION_CODES: readonly ConditionCode[] = [
  'receipt-known',
  'plan-in-force',
  'coverage',
  'no-contrary-result',
  'recheck',
  'methods-by-content',
  'origin-and-environment',
  'heard-from-every-instrument',
  'deliveries-confirmed',
  'no-open-discrepancy',
  'no-stop-in-force',
  'further-identity-tests',
  'retest-date',
  'second-person',
  'performance-brackets',
  'labels-verified',
  'receipt-undivided',
  'destination-unchanged',
];

/** A statement before it has a revision. */
export interface StatementDraft {
  readonly outcome: StatementOutcome;
  readonly conditions: readonly Condition[];
  readonly containers: readonly StatementContainer[];
  readonly receipt: ReceiptIdentity;
  readonly plan: StatementRecord['plan'];
  readonly decisions: StatementRecord['decisions'];
  /** What a second person signs; null of a receipt that nobody knows. */
  readonly evidence: StatementEvidence | null;
  readonly evaluatedAt: Instant;
  readonly validUntil: Instant;
}

/**
 * What can be said of a receipt line from these facts at this instant. Pure: the same facts give the same
 * statement, in whatever order they became known.
 */
export function evaluateStatement(facts: StatementFacts, now: Instant): StatementDraft {
  const { receipt } = facts;
  if (receipt === null) return unknownReceipt(facts, now, '');
  const assessment = assessEvidence(facts, receipt, now);
  const spare = spareDeliveries(facts, assessment);
  const others: Condition[] = [
    evidence.receiptKnown(facts, receipt),
    evidence.planInForce(facts, receipt),
    evidence.coverage(facts, assessment),
    evidence.noContraryResult(assessment),
    evidence.recheck(facts, assessment),
    evidence.methodsByContent(facts, assessment),
    evidence.originAndEnvironment(facts, assessment),
    evidence.heardFromEveryInstrument(facts, assessment),
    standing.deliveriesConfirmed(facts, spare),
    standing.noOpenDiscrepancy(facts, receipt, spare),
    standing.noStopInForce(facts),
    standing.furtherIdentityTests(facts, receipt),
    standing.retestDate(receipt, now),
  ];
  const { plan } = receipt;
  const shown = {
    containers: assessment.containers,
    plan: plan && {
      kind: plan.kind === 'sqrt' ? `sqrt-${plan.rounding}` : plan.kind,
      required: assessment.required.length,
      decision: plan.decision,
      ...afterFailure(assessment),
    },
    decisions: shownDecisions(facts, decisionIds(facts, receipt, assessment)),
  };
  const further: Condition[] = [
    performanceBrackets(facts, assessment),
    labelsVerified(assessment),
    receiptUndivided(receipt),
    standing.destinationUnchanged(facts),
  ];
  const inspections = attributeInspections(facts, receipt);
  if (inspections !== null) further.push(inspections);
  const signed = statementEvidence(facts, receipt, {
    ...shown,
    conditions: [...others, ...further],
  });
  const conditions = [...others, secondPerson(facts, signed), ...further];
  return {
    ...shown,
    outcome: outcomeOf(conditions, facts.site.environment),
    conditions,
    receipt: receipt.identity,
    evidence: signed,
    evaluatedAt: now,
    validUntil: validUntil(facts, receipt, now),
  };
}

/** What the plan asks for because containers failed; nothing while none did. */
function afterFailure({
  afterFailure: after,
}: Assessment): Pick<NonNullable<StatementRecord['plan']>, 'afterFailure'> {
  if (after === null) return {};
  const { rule, failures, further } = after;
  return { afterFailure: { rule, failures, further: further.size } };
}

/**
 * Contradicted anywhere: does not conform. Else anything unmet, or in production anything for which the site declares
 * nothing to judge by (not evaluated): incomplete. A list that lacks a condition is incomplete too.
 */
export function outcomeOf(
  conditions: readonly Condition[],
  environment: Environment,
): StatementOutcome {
  if (conditions.some((c) => c.state === 'contradicted')) return 'does-not-conform';
  const held = new Set(conditions.filter((c) => c.state === 'met').map((c) => c.code));
  const excused = new Set(
    environment === 'production'
      ? []
      : conditions.filter((c) => c.state === 'not-evaluated').map((c) => c.code),
  );
  const unmet = conditions.some((c) => c.state === 'unmet');
  const codes = [...CONDITION_CODES, ...conditions.map((c) => c.code)];
  const complete = codes.every((code) => held.has(code) || excused.has(code));
  return complete && !unmet ? 'conforms' : 'incomplete';
}

/** A receipt nobody knows has no evidence: incomplete, never "not found" (rule 14). */
export function unknownReceipt(
  facts: Pick<StatementFacts, 'site'>,
  now: Instant,
  receiptId: string,
): StatementDraft {
  return {
    outcome: 'incomplete',
    conditions: [
      ...CONDITION_CODES.map((code) => condition(code, 'unmet', 'the receipt is not known')),
    ],
    containers: [],
    receipt: {
      receiptId,
      receiptNumber: null,
      line: null,
      material: null,
      manufacturer: null,
      supplier: null,
      supplierLot: null,
      siteLot: null,
      area: null,
    },
    plan: null,
    decisions: [],
    evidence: null,
    evaluatedAt: now,
    validUntil: addMs(now, facts.site.limits.statementValidMs),
  };
}

/** The site's limit, never past the retest date. */
function validUntil(facts: StatementFacts, receipt: ReceiptFacts, now: Instant): Instant {
  const limit = addMs(now, facts.site.limits.statementValidMs);
  if (receipt.retestAt === null || receipt.retestAt >= limit) return limit;
  return receipt.retestAt > now ? receipt.retestAt : now;
}

function decisionIds(
  facts: StatementFacts,
  receipt: ReceiptFacts,
  assessment: Assessment,
): string[] {
  const ids = receipt.plan ? [receipt.plan.decision] : [];
  ids.push(...(receipt.attributePlans ?? []).map(({ decision }) => decision));
  if (!facts.site.secondPerson.required) ids.push(facts.site.secondPerson.decision);
  for (const passes of assessment.passesByContainer.values()) {
    for (const { result } of passes) {
      const method = registeredMethod(result, facts.site);
      const approval = method && approvalOf(result, method, receipt.identity.material);
      if (approval && !approval.isSignature) ids.push(approval.decision);
      const unrecomputed = notRecomputableBy(result, facts.site);
      if (unrecomputed !== null) ids.push(unrecomputed);
    }
  }
  return ids;
}
