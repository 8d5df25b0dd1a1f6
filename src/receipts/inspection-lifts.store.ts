import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Reader, Trx } from '../storage/database.js';
import type { InspectionLiftRow } from '../storage/tables.js';
import {
  type Inspection,
  inspectionFact,
  judgeInspections,
  type ReceiptAttributePlan,
  together,
} from './attribute-inspection.js';
import { withLift } from './inspection-lift.js';
import { inspectionsOf } from './inspections.store.js';
import type { RevisionDocument } from './receipt-rows.js';
import { latestAnnouncement } from './receipts.store.js';

/** What was inspected of a receipt, earliest entry first, with what lifted an entry. */
export async function inspectionFactsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Inspection[]> {
  const facts = (await inspectionsOf(reader, site, receiptId)).map(inspectionFact);
  if (facts.length === 0) return facts;
  const lifts = await reader
    .selectFrom('inspection_lift')
    .selectAll()
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
  if (lifts.length === 0) return facts;
  const ids = lifts.map((lift) => lift.signature_id);
  const signatures = new Map((await signaturesByIds(reader, site, ids)).map((s) => [s.id, s]));
  const rows = new Map(lifts.map((lift) => [lift.inspection_id, lift]));
  return facts.map((fact) => {
    const row = rows.get(fact.id);
    return withLift(fact, row, signatures.get(row?.signature_id ?? ''));
  });
}

/**
 * The plans a receipt is asked for as they stand now: what one of them rejected in the receipt it came from is no
 * rejection any more once every count that it was rejected by is lifted there.
 */
export async function plansStanding(
  reader: Reader,
  site: string,
  plans: readonly ReceiptAttributePlan[],
): Promise<readonly ReceiptAttributePlan[]> {
  if (plans.every(({ rejectedIn }) => rejectedIn === undefined)) return plans;
  const standing: ReceiptAttributePlan[] = [];
  for (const plan of plans) {
    const { rejectedIn, ...own } = plan;
    const isOver = rejectedIn !== undefined && (await isLifted(reader, site, rejectedIn, own));
    standing.push(isOver ? own : plan);
  }
  return together(standing);
}

async function isLifted(
  reader: Reader,
  site: string,
  receiptId: string,
  plan: ReceiptAttributePlan,
): Promise<boolean> {
  const facts = await inspectionFactsOf(reader, site, receiptId);
  const lifted = facts.filter((f) => f.attribute === plan.attribute && f.lift?.isValid === true);
  const text = await latestAnnouncement(reader, site, receiptId);
  if (lifted.length === 0 || text === null) return false;
  // Its latest revision keeps the list, also of a receipt that was split or merged.
  const { containers } = (JSON.parse(text) as RevisionDocument).inForce;
  const { state } = judgeInspections(plan, containers.length, facts);
  return state === 'accepted' || state === 'missing';
}

/** Stores a lift in the transaction of its signature. */
export async function insertInspectionLift(trx: Trx, row: InspectionLiftRow): Promise<void> {
  await trx.insertInto('inspection_lift').values(row).execute();
}
