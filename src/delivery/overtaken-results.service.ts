import { addMs, type Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import type { ClaimRow } from './due-deliveries.store.js';
import { auditDeliveries, changeDelivery, type DeliveryAudit } from './outcome.store.js';

const OVERTAKEN = 'the result does not stand as it is said here: it is asked about, not sent again';

/**
 * Of locked deliveries that are to leave, those that may: a result that does not stand any more and is not withdrawn behind
 * it would show at a place that it is not of (rule 25). It is asked about instead, which gives it up once it is shown absent.
 */
export async function withoutOvertakenResults(
  trx: Trx,
  rows: readonly ClaimRow[],
  { zone, now }: { readonly zone: string; readonly now: Instant },
): Promise<readonly ClaimRow[]> {
  const isOvertaken = (row: ClaimRow) => row.subject_kind === 'result' && row.is_current === 0;
  const entries: DeliveryAudit[] = [];
  for (const row of rows.filter(isOvertaken)) {
    // A moment later, so that whoever looks for what becomes due next finds it.
    const after = { state: 'uncertain', next_ask_at: addMs(now, 1) } as const;
    if (!(await changeDelivery(trx, row, after))) continue;
    const action = 'delivery.doubt-taken-up';
    entries.push({ row, zone, at: now, action, reason: OVERTAKEN, after });
  }
  if (entries.length > 0) await auditDeliveries(trx, entries);
  return rows.filter((row) => !isOvertaken(row));
}
