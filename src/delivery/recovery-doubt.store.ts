import { type SqlBool, sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';

const NOT_SENT_FOR_CERTAIN = sql<SqlBool>`message <> 'stop' and state in ('due', 'building', 'sending', 'uncertain')`;

/** How a destination tells whether it has something. */
export interface Telling {
  readonly site: string;
  readonly destination: string;
  readonly canBeAsked: boolean;
  readonly honoursKey: boolean;
}

/**
 * After a restore what seems unsent may have been sent by the life before. Where a destination can be asked it
 * is asked first; where it honours the key, sending again under the same one doubles nothing, as long as that is
 * remembered, which is looked at like a question; anywhere else a person decides (design §8). In each case it counts as
 * sent until then: a result that is taken back is withdrawn. Stops keep their state: sent twice they change nothing.
 */
export async function doubtUnsent(trx: Trx, of: Telling, now: Instant): Promise<number> {
  await doubtStopped(trx, of, now);
  const update = trx
    .updateTable('delivery')
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(NOT_SENT_FOR_CERTAIN);
  const fenced = { claimed_by: null, ask_since: now };
  if (of.canBeAsked || of.honoursKey) {
    const built = await update
      .where('payload_sha256', 'is not', null)
      .set((eb) => ({
        ...fenced,
        state: 'uncertain',
        next_ask_at: now,
        absent_asks: 0,
        fence: eb('fence', '+', 1),
      }))
      .executeTakeFirst();
    // Asked once it is built, see `savePayload`.
    const unbuilt = await update
      .where('payload_sha256', 'is', null)
      .set((eb) => ({ ...fenced, state: 'due', fence: eb('fence', '+', 1) }))
      .executeTakeFirst();
    return Number(built.numUpdatedRows + unbuilt.numUpdatedRows);
  }
  const parked = await update
    .set((eb) => ({
      ...fenced,
      state: 'parked',
      fault: 'cannot-ask',
      next_ask_at: null,
      reason: 'it may have been sent before the restore, and the destination cannot be asked',
      fence: eb('fence', '+', 1),
    }))
    .executeTakeFirst();
  return Number(parked.numUpdatedRows);
}

/**
 * Somebody may have decided in the life before that it is sent (again). Here it stays parked or rejected, and a person
 * decides again.
 */
async function doubtStopped(trx: Trx, of: Telling, now: Instant): Promise<void> {
  await trx
    .updateTable('delivery')
    .set({ ask_since: now })
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(
      sql<SqlBool>`message <> 'stop' and (state = 'rejected' or (state = 'parked' and attempts = 0))`,
    )
    .execute();
}

/** Deliveries of the life before that no destination has answered for yet. */
export async function countUnanswered(reader: Reader, site: string): Promise<number> {
  const row = await reader
    .selectFrom('delivery')
    .select((eb) => eb.fn.countAll<number>().as('n'))
    .where('site', '=', site)
    .where('ask_since', 'is not', null)
    .where('next_ask_at', 'is not', null)
    .where('state', '=', 'uncertain')
    .where('absent_asks', '=', 0)
    .executeTakeFirstOrThrow();
  return Number(row.n);
}

/**
 * Statements of revisions that a destination holds from another life say something else under the same number:
 * those that wait are superseded, stops too. The caller evaluates the receipt in the same transaction, which states
 * it anew, with its stop, above them, and enters those returned in the trail.
 */
export async function supersedeOutlived(
  trx: Trx,
  of: { readonly site: string; readonly receiptId: string; readonly revision: number },
): Promise<readonly Pick<DeliveryRow, 'id' | 'destination' | 'message' | 'reason'>[]> {
  return await trx
    .updateTable('delivery')
    .set((eb) => ({
      state: 'superseded',
      reason: `revision ${of.revision} is held there from before the restore`,
      fence: eb('fence', '+', 1),
      next_ask_at: null,
    }))
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where(sql<SqlBool>`message in ('statement', 'stop')`)
    .where('subject_revision', '<=', of.revision)
    .where(
      sql<SqlBool>`((state in ('due', 'building') and attempts = 0)
        or (message = 'statement' and state = 'uncertain' and ask_since is not null))`,
    )
    .returning(['id', 'destination', 'message', 'reason'])
    .execute();
}
