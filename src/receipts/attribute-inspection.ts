import type { Instant } from '../formats/instant.js';
import type { AttributePlanRule, InspectedAttribute } from '../site/site-folder.js';
import { INSPECTED_ATTRIBUTES } from '../site/vocabulary.js';
import type { AttributeInspectionRow } from '../storage/tables.js';
import { type AttributePlan, attributePlan } from './attribute-plan.js';
import { matchesSubject, type PlanSubject, sameSubject, specificity } from './sampling-plan.js';

/**
 * Inspection of the labels and the damage of a receipt by a plan of the site. It is about what is counted as
 * nonconforming by looking, never about identity, whose acceptance number is 0 (rule 4).
 */

/** What a receipt is asked for, fixed when it was announced; the numbers follow from its containers. */
export interface ReceiptAttributePlan extends Pick<AttributePlanRule, 'level' | 'aql'> {
  readonly attribute: InspectedAttribute;
  /** Id of the decision record it rests on. */
  readonly decision: string;
  readonly foundAt: Instant;
  /** Receipt it was split off or merged from, whose inspection this plan rejected: no later one takes that back. */
  readonly rejectedIn?: string;
}

/** What somebody counted; entries are never changed, a correction is a further one. */
export interface Inspection {
  readonly id: string;
  readonly attribute: InspectedAttribute;
  readonly inspected: number;
  readonly nonconforming: number;
  /** A plan of the receipt rejected it when it was entered; that stays so when more containers come. */
  readonly rejected: boolean;
  /** The signed act that lifted it, having been entered wrongly; left out while there is none. */
  readonly lift?: InspectionLift;
}

/** Without a signature that is as it was made and names the count it lifts nothing. */
export interface InspectionLift {
  readonly signatureId: string;
  readonly isValid: boolean;
  readonly printedName: string;
  readonly investigation: string;
  readonly reason: string;
}

export function inspectionFact(row: AttributeInspectionRow): Inspection {
  const { id, attribute, inspected, nonconforming } = row;
  return { id, attribute, inspected, nonconforming, rejected: row.rejected === 1 };
}

/** For each attribute the most specific rule in force; two of the same reach are refused when the site is read. */
export function findAttributeRules(
  rules: readonly AttributePlanRule[],
  subject: PlanSubject,
  at: Instant,
): AttributePlanRule[] {
  return INSPECTED_ATTRIBUTES.flatMap((attribute) => {
    let best: AttributePlanRule | null = null;
    for (const rule of rules) {
      if (rule.attribute !== attribute || at >= rule.expires) continue;
      if (!matchesSubject(rule, subject)) continue;
      if (best === null || specificity(rule) > specificity(best)) best = rule;
    }
    return best === null ? [] : [best];
  });
}

/**
 * The attribute plans of a receipt after an announcement. Those stored with it stay, whatever the site's rules become
 * later; a change of material, manufacturer or supplier looks for others, and once something was measured or
 * inspected these come beside what was asked before: nothing that was asked is dropped.
 */
export function planAttributes(options: {
  readonly rules: readonly AttributePlanRule[];
  readonly subject: PlanSubject;
  readonly before: {
    readonly subject: PlanSubject;
    readonly plans: readonly ReceiptAttributePlan[];
  } | null;
  /** Something was measured or inspected. */
  readonly isUnderWay: boolean;
  readonly now: Instant;
}): readonly ReceiptAttributePlan[] {
  const { rules, subject, before, isUnderWay, now } = options;
  if (before && sameSubject(before.subject, subject)) return before.plans;
  const found = findAttributeRules(rules, subject, now).map(
    ({ attribute, level, aql, decision }) => ({ attribute, level, aql, decision, foundAt: now }),
  );
  const kept = before?.plans.filter((plan) => isUnderWay || plan.rejectedIn !== undefined) ?? [];
  return together([...kept, ...found]);
}

/** Every plan once, the first of those that ask for the same. */
export function together(plans: readonly ReceiptAttributePlan[]): ReceiptAttributePlan[] {
  const first = new Map<string, ReceiptAttributePlan>();
  for (const plan of plans) {
    const { attribute, level, aql, rejectedIn = null } = plan;
    const key = JSON.stringify([attribute, level, aql, rejectedIn]);
    if (!first.has(key)) first.set(key, plan);
  }
  return [...first.values()];
}

export type InspectionVerdict =
  | { readonly state: 'accepted'; readonly plan: AttributePlan; readonly by: Inspection }
  /** More were nonconforming than the plan accepts: the quality unit decides. */
  | { readonly state: 'rejected'; readonly plan: AttributePlan; readonly by: Inspection }
  | { readonly state: 'rejected-before'; readonly receiptId: string }
  /** Nothing, or each time fewer than the plan asks for; `most` is how many at most. */
  | { readonly state: 'missing'; readonly plan: AttributePlan; readonly most: number }
  | { readonly state: 'no-plan'; readonly why: string };

/**
 * Judges what was inspected by one plan. The worst entry counts: more nonconforming ones than the plan accepts, in however
 * many, reject, whatever was entered before or after (rule 9). Entries are not added up: one has to hold as many as
 * the plan asks for. What a signed act lifted counts neither way.
 *
 * @param containers that the receipt lists now
 */
export function judgeInspections(
  plan: ReceiptAttributePlan,
  containers: number,
  inspections: readonly Inspection[],
): InspectionVerdict {
  const { rejectedIn } = plan;
  if (rejectedIn !== undefined) return { state: 'rejected-before', receiptId: rejectedIn };
  if (containers < 1) return { state: 'no-plan', why: 'the receipt lists no container' };
  const answer = attributePlan(containers, plan.level, plan.aql);
  if (!answer.ok) return { state: 'no-plan', why: answer.message };
  const asked = answer.plan;
  const own = inspections.filter(
    ({ attribute, lift }) => attribute === plan.attribute && lift?.isValid !== true,
  );
  const rejecting = own.find((i) => i.rejected || i.nonconforming > asked.accept);
  if (rejecting) return { state: 'rejected', plan: asked, by: rejecting };
  const whole = own.find(({ inspected }) => inspected >= asked.n);
  if (whole) return { state: 'accepted', plan: asked, by: whole };
  return { state: 'missing', plan: asked, most: Math.max(0, ...own.map((i) => i.inspected)) };
}

/** Whether one of the plans rejects a count as it stands now. */
export function isRejected(
  plans: readonly ReceiptAttributePlan[],
  containers: number,
  count: Pick<Inspection, 'attribute' | 'inspected' | 'nonconforming'>,
): boolean {
  const entry = { ...count, id: '', rejected: false };
  return plans.some((plan) => judgeInspections(plan, containers, [entry]).state === 'rejected');
}

/** The plans with what they rejected here, for receipts that its containers go to. */
export function carriedPlans(
  receiptId: string,
  plans: readonly ReceiptAttributePlan[],
  containers: number,
  inspections: readonly Inspection[],
): ReceiptAttributePlan[] {
  return plans.map((plan) =>
    judgeInspections(plan, containers, inspections).state === 'rejected'
      ? { ...plan, rejectedIn: receiptId }
      : plan,
  );
}

/** A member of a document, left out where nothing is asked: documents from before stay as they are. */
export function attributePlansMember(plans: readonly ReceiptAttributePlan[]): {
  readonly attributePlans?: readonly ReceiptAttributePlan[];
} {
  return plans.length === 0 ? {} : { attributePlans: plans };
}
