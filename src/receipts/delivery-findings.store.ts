import { sql } from 'kysely';
import { chunks } from '../storage/chunks.js';
import type { Reader, Trx } from '../storage/database.js';
import { preparedForList } from '../storage/prepared.js';
import type { DestinationHoldingRow } from '../storage/tables.js';
import { deliveryPrefix } from './evidence-subject.js';

/**
 * The receipt that a finding about a delivery counts against: the one that the delivery speaks of, and of what was sent about
 * a result before it had a receipt the one that it has now. null while there is none.
 */
export async function receiptOfDelivery(
  reader: Reader,
  site: string,
  deliveryId: string,
): Promise<string | null> {
  const delivery = await reader
    .selectFrom('delivery')
    .select(['receipt_id', 'subject_kind', 'subject_id'])
    .where('site', '=', site)
    .where('id', '=', deliveryId)
    .executeTakeFirst();
  if (delivery === undefined || delivery.receipt_id !== null) return delivery?.receipt_id ?? null;
  const { subject_kind: kind, subject_id: subjectId } = delivery;
  if (kind !== 'result' && kind !== 'withdrawal') return null;
  const results = reader.selectFrom('result').select('result.receipt_id');
  const result = await (kind === 'result'
    ? results.where('result.id', '=', subjectId)
    : results
        .innerJoin('withdrawal', 'withdrawal.result_row_id', 'result.id')
        .where('withdrawal.id', '=', subjectId)
  ).executeTakeFirst();
  return result?.receipt_id ?? null;
}

type Holding = Pick<DestinationHoldingRow, 'site' | 'message' | 'receipt_id' | 'subject'>;

/**
 * The receipt that a message of nobody's counts against: the one it names. A life that a restore ended may have split or
 * merged receipts, and what it sent then names one that nobody knows here: of a result, or a withdrawal of one, it counts
 * against the receipt that the result is of here. null while it names none.
 */
export async function receiptOfHolding(
  reader: Reader,
  { site, message, receipt_id: named, subject }: Holding,
): Promise<string | null> {
  const isOfResult = message === 'result' || message === 'withdrawal';
  if (!isOfResult || named === null || subject === null) return named;
  const known = await reader
    .selectFrom('receipt')
    .select('announced')
    .where('site', '=', site)
    .where('id', '=', named)
    .executeTakeFirst();
  if (known?.announced === 1) return named;
  const results = await reader
    .selectFrom('result')
    .select(['receipt_id', 'state'])
    .where('site', '=', site)
    .where('result_id', '=', subject)
    .where('receipt_id', 'is not', null)
    .execute();
  const result = results.find(({ state }) => state === 'accepted') ?? results[0];
  return result?.receipt_id ?? named;
}

/**
 * Gives what sweeps found about deliveries of these results, and of their withdrawals, to the receipt that the results have
 * now, where the delivery speaks of no other: what is found without a receipt counts against none. The caller has locked the
 * receipts between which the results go, and shares the site's evidence where they had none.
 *
 * @param resultRowIds at most as many as one `in (…)` takes
 */
export async function passFindings(
  trx: Trx,
  site: string,
  resultRowIds: readonly string[],
  receiptId: string,
): Promise<void> {
  const deliveries = (await deliveriesAbout(trx, { site }, resultRowIds)).rows;
  const subjects = deliveries
    .filter((d) => d.receipt_id === null || d.receipt_id === receiptId)
    .map((d) => `${deliveryPrefix(d.destination)}${d.id}`);
  for (const some of chunks(subjects)) await give(trx, { site, receiptId }, some);
}

const deliveriesAbout = preparedForList((db, of: { readonly site: string }, resultRowIds) =>
  db
    .selectFrom('delivery')
    .select(['id', 'destination', 'receipt_id'])
    .where('site', '=', of.site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', 'in', resultRowIds)
    .unionAll((eb) =>
      eb
        .selectFrom('delivery as w')
        .select(['w.id', 'w.destination', 'w.receipt_id'])
        .where('w.site', '=', of.site)
        .where('w.subject_kind', '=', 'withdrawal')
        .where('w.subject_id', 'in', (e) =>
          e
            .selectFrom('withdrawal')
            .select('withdrawal.id')
            .where('withdrawal.result_row_id', 'in', resultRowIds),
        ),
    ),
);

const give = preparedForList(
  (db, of: { readonly site: string; readonly receiptId: string }, subjects) =>
    db
      .updateTable('discrepancy')
      .set({ receipt_id: of.receiptId, scope: null })
      .where('site', '=', of.site)
      .where('subject', 'in', subjects)
      // Written out, as in the index of these rows.
      .where(sql<boolean>`closed_at is null`),
);
