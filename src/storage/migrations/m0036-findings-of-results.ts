import { type Kysely, sql } from 'kysely';

/**
 * What sweeps found about a result goes along with it: what was found before it had a receipt stayed under none, and what was
 * found before a split under the receipt that was split. The receipts that it counts against are judged anew, with
 * all that came of others, which a finding there did not reach before.
 *
 * A message that names no receipt counts against all until it was found, whatever its destination's clock said: those
 * that did not count against every receipt are judged anew.
 *
 * Comparisons under way begin anew: they open what they find in another order.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await sql`update discrepancy set scope = null, receipt_id = ${OWNER}
    where closed_at is null and derived = 0 and substr(subject, 1, 5) = 'held:'
      and ${OWNER} is not null and ${OWNER} is distinct from discrepancy.receipt_id`.execute(db);
  await sql`update discrepancy set scope = '{"to":' || opened_at || '}'
    where closed_at is null and derived = 0 and receipt_id is null
      and substr(subject, 1, 8) = 'holding:' and substr(scope, 1, 6) = '{"to":'`.execute(db);
  await sql`update receipt set evaluation_due = 1 where announced = 1 and exists (
    select 1 from discrepancy as f where f.site = receipt.site and f.receipt_id is null
      and f.closed_at is null and f.derived = 0 and substr(f.subject, 1, 8) = 'holding:')`.execute(
    db,
  );
  await sql`update sweep set cursor = '' where state = 'comparing'`.execute(db);
  await sql`update receipt set evaluation_due = 1 where announced = 1 and (linked = 1 or exists (
    select 1 from discrepancy as f where f.site = receipt.site and f.receipt_id = receipt.id
      and f.closed_at is null and f.derived = 0 and substr(f.subject, 1, 5) = 'held:'))`.execute(
    db,
  );
}

/** The delivery's receipt; of what was sent about a result without one the receipt that the result has now. */
const OWNER = sql`(select coalesce(d.receipt_id, r.receipt_id)
  from delivery as d
  left join withdrawal as w on d.subject_kind = 'withdrawal' and w.id = d.subject_id
  left join result as r on r.id = case d.subject_kind
    when 'result' then d.subject_id when 'withdrawal' then w.result_row_id end
  where d.id = substr(discrepancy.subject, length('held:' || discrepancy.destination || ':') + 1))`;
