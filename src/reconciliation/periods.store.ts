import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { PeriodAddendumRow, PeriodChangeRow, PeriodRow } from '../storage/tables.js';
import type { NotedChange } from './noted-changes.js';
import type { ReportedDelivery } from './period-report.js';

/**
 * Notes changes of what closed periods counted: each goes into the period's open addendum, and opens the next
 * number when there is none. A change is noted once.
 */
export async function noteInClosedPeriods(
  trx: Trx,
  site: string,
  changes: readonly NotedChange[],
  now: Instant,
): Promise<void> {
  const dated = changes.flatMap((c) => (c.countsAt === null ? [] : [{ ...c, at: c.countsAt }]));
  if (dated.length === 0) return;
  const earliest = Math.min(...dated.map((c) => c.at)) as Instant;
  const periods = await trx
    .selectFrom('period')
    .select(['id', 'from_at', 'to_at'])
    .where('site', '=', site)
    .where('to_at', '>', earliest)
    .execute();
  for (const period of periods) {
    const mine = dated.filter((c) => c.at >= period.from_at && c.at < period.to_at);
    if (mine.length === 0) continue;
    const addendumId = await openAddendum(trx, site, period.id, now);
    for (const { subject, detail } of mine) {
      await trx
        .insertInto('period_change')
        .values({ id: uuidv7(), site, addendum_id: addendumId, at: now, subject, detail })
        .onConflict((c) => c.doNothing())
        .execute();
    }
  }
}

async function openAddendum(
  trx: Trx,
  site: string,
  periodId: string,
  now: Instant,
): Promise<string> {
  const all = await addendaOf(trx, site, periodId);
  const last = all.at(-1);
  if (last && last.closed_at === null) return last.id;
  const id = uuidv7();
  await trx
    .insertInto('period_addendum')
    .values({
      id,
      site,
      period_id: periodId,
      number: (last?.number ?? 0) + 1,
      opened_at: now,
      closed_at: null,
      closed_by: null,
      signature: null,
      reason: null,
      document: null,
      digest: null,
    })
    .execute();
  return id;
}

/** Addenda of a period by number. */
export function addendaOf(
  reader: Reader,
  site: string,
  periodId: string,
): Promise<PeriodAddendumRow[]> {
  return reader
    .selectFrom('period_addendum')
    .selectAll()
    .where('site', '=', site)
    .where('period_id', '=', periodId)
    .orderBy('number')
    .execute();
}

/** Addenda of several periods, without what they list. */
export async function addendaOfPeriods(
  reader: Reader,
  site: string,
  periodIds: readonly string[],
): Promise<Pick<PeriodAddendumRow, 'period_id' | 'number' | 'closed_at'>[]> {
  if (periodIds.length === 0) return [];
  return reader
    .selectFrom('period_addendum')
    .select(['period_id', 'number', 'closed_at'])
    .where('site', '=', site)
    .where('period_id', 'in', periodIds)
    .orderBy('number')
    .execute();
}

/** Messages about one period, in the order in which they leave. */
export async function deliveriesOfPeriod(
  reader: Reader,
  site: string,
  periodId: string,
): Promise<ReportedDelivery[]> {
  const rows = await reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', site)
    .where('subject_kind', '=', 'period')
    .where('subject_id', '=', periodId)
    .orderBy('destination')
    .orderBy('seq')
    .execute();
  return rows.map((row) => ({
    id: row.id,
    destination: row.destination,
    revision: row.subject_revision,
    state: row.state,
    createdAt: row.created_at,
    confirmedAt: row.confirmed_at,
    reference: row.destination_reference,
    reason: row.reason,
  }));
}

export function changesOf(
  reader: Reader,
  site: string,
  addendumId: string,
  limit: number,
): Promise<PeriodChangeRow[]> {
  return reader
    .selectFrom('period_change')
    .selectAll()
    .where('site', '=', site)
    .where('addendum_id', '=', addendumId)
    .orderBy('at')
    .orderBy('id')
    .limit(limit)
    .execute();
}

export function findPeriod(reader: Reader, site: string, id: string) {
  return reader
    .selectFrom('period')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
}

/** Closed periods that share time with `[from, to)`. */
export function overlappingPeriods(
  reader: Reader,
  site: string,
  from: Instant,
  to: Instant,
): Promise<PeriodRow[]> {
  return reader
    .selectFrom('period')
    .selectAll()
    .where('site', '=', site)
    .where('from_at', '<', to)
    .where('to_at', '>', from)
    .orderBy('from_at')
    .execute();
}

/** Closed periods, the latest first. */
export function latestPeriods(reader: Reader, site: string, limit: number): Promise<PeriodRow[]> {
  return reader
    .selectFrom('period')
    .selectAll()
    .where('site', '=', site)
    .orderBy('from_at', 'desc')
    .limit(limit)
    .execute();
}

export async function insertPeriod(trx: Trx, row: PeriodRow): Promise<void> {
  await trx.insertInto('period').values(row).execute();
}

/** Signs an addendum that is open; false when somebody else has signed it. */
export async function closeAddendum(
  trx: Trx,
  id: string,
  set: Pick<
    PeriodAddendumRow,
    'closed_at' | 'closed_by' | 'signature' | 'reason' | 'document' | 'digest'
  >,
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('period_addendum')
    .set(set)
    .where('id', '=', id)
    .where('closed_at', 'is', null)
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}

/** Rows carried over by one statement. */
const CARRIED_AT_ONCE = 500;

/**
 * Opens the next number with what an addendum was signed without because it lists no more. Rows are kept as written, so
 * the next one gets its own.
 *
 * @param listed how many changes the addendum was signed with
 */
export async function carryUnlisted(
  trx: Trx,
  of: { readonly site: string; readonly periodId: string; readonly addendumId: string },
  listed: number,
  now: Instant,
): Promise<void> {
  const { site } = of;
  for (let from = listed; ; from += CARRIED_AT_ONCE) {
    const rest = await trx
      .selectFrom('period_change')
      .select(['at', 'subject', 'detail'])
      .where('site', '=', site)
      .where('addendum_id', '=', of.addendumId)
      .orderBy('at')
      .orderBy('id')
      .limit(CARRIED_AT_ONCE)
      .offset(from)
      .execute();
    if (rest.length === 0) return;
    const next = await openAddendum(trx, site, of.periodId, now);
    const rows = rest.map((change) => ({ ...change, id: uuidv7(), site, addendum_id: next }));
    await trx.insertInto('period_change').values(rows).execute();
  }
}
