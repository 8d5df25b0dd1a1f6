import {
  type Inspection,
  judgeInspections,
  type ReceiptAttributePlan,
} from '../receipts/attribute-inspection.js';
import type { Condition } from '../records/statement-record.js';
import { metUnless, named } from './condition.js';
import { decisionFaults } from './decisions.js';
import type { ReceiptFacts, StatementFacts } from './facts.js';

/**
 * Labels and damage inspected by the plans of the site, and accepted by every one of them. What a plan rejects is unmet and
 * not contradicted: it says nothing of what the containers hold, and the quality unit decides what becomes of it.
 * null where the receipt is asked for no inspection: then the statement has no such condition.
 */
export function attributeInspections(
  facts: StatementFacts,
  receipt: ReceiptFacts,
): Condition | null {
  const plans = receipt.attributePlans ?? [];
  if (plans.length === 0) return null;
  const against: string[] = [];
  const met: string[] = [];
  for (const plan of plans) {
    against.push(...decisionFaults(facts, plan.decision, `the plan for ${plan.attribute}`));
    const { isMet, found } = judged(plan, facts);
    (isMet ? met : against).push(found);
  }
  const inspections = facts.inspections ?? [];
  const lifts = inspections.flatMap(({ lift }) => (lift?.isValid === true ? [lift] : []));
  const lifted = inspections.flatMap(liftWords);
  // Behind what is missing, which it answers for nothing of.
  if (against.length > 0) against.push(...lifted);
  const evidence = [
    ...[...new Set(plans.map(({ decision }) => decision))].map((id) => ({ kind: 'decision', id })),
    ...inspections.map(({ id }) => ({ kind: 'inspection', id })),
    ...lifts.map(({ signatureId }) => ({ kind: 'signature', id: signatureId })),
  ];
  return metUnless('attribute-inspections', against, named([...met, ...lifted]), { evidence });
}

function liftWords({ attribute, inspected, nonconforming, lift }: Inspection): string[] {
  if (lift === undefined) return [];
  const count = `${attribute}: the count of ${nonconforming} of ${inspected} nonconforming`;
  return lift.isValid
    ? [`${count} was lifted by ${lift.printedName}: ${lift.reason}`]
    : [`${count} stands: what lifts it is not as it was signed`];
}

function judged(
  plan: ReceiptAttributePlan,
  { containers, inspections = [] }: StatementFacts,
): { readonly isMet: boolean; readonly found: string } {
  const by = `level ${plan.level}, AQL ${plan.aql}`;
  const verdict = judgeInspections(plan, containers.length, inspections);
  switch (verdict.state) {
    case 'accepted': {
      const { inspected, nonconforming } = verdict.by;
      const found = `${plan.attribute}: ${nonconforming} of ${inspected} nonconforming, up to ${verdict.plan.accept} of ${verdict.plan.n} accepted (${by})`;
      return { isMet: true, found };
    }
    case 'rejected': {
      const { inspected, nonconforming } = verdict.by;
      const found = `${plan.attribute}: ${nonconforming} of ${inspected} nonconforming, rejected by the plan, which accepts up to ${verdict.plan.accept} of ${verdict.plan.n} (${by}): the quality unit decides`;
      return { isMet: false, found };
    }
    case 'rejected-before': {
      const found = `${plan.attribute}: rejected by the plan in receipt ${verdict.receiptId} (${by}): the quality unit decides`;
      return { isMet: false, found };
    }
    case 'missing': {
      const so = verdict.most === 0 ? 'not inspected' : `${verdict.most} inspected`;
      const found = `${plan.attribute}: ${so}, the plan asks for ${verdict.plan.n} of ${containers.length} (${by})`;
      return { isMet: false, found };
    }
    case 'no-plan':
      return { isMet: false, found: `${plan.attribute}: ${verdict.why} (${by})` };
  }
}
