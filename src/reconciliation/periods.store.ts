import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { PeriodAddendumRow, PeriodChangeRow, PeriodRow } from '../storage/tables.js';
import { chunks } from './comparison-facts.store.js';
import type { NotedChange } from './noted-changes.js';
import type { ReportedDelivery } from './period-report.js';

/**
 * Notes changes of what closed periods counted, in their order: each goes into the period's open addendum, and opens the
 * next number when there is none. The caller holds the site's comparison, so that nobody else numbers lines.
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
    const inIt = dated.filter((c) => c.at >= period.from_at && c.at < period.to_at);
    const mine = await newIn(trx, site, period.id, inIt);
    if (mine.length === 0) continue;
    const addendumId = await openAddendum(trx, site, period.id, now);
    await appendLines(
      trx,
      { site, addendumId },
      mine.map(({ subject, detail }) => ({ at: now, subject, detail })),
    );
  }
}

/** Those of the changes, in their order, that say something else than the last line about the same thing. */
async function newIn(
  trx: Trx,
  site: string,
  periodId: string,
  changes: readonly NotedChange[],
): Promise<NotedChange[]> {
  const subjects = new Set(changes.filter((c) => c.about !== null).map((c) => c.subject));
  const listed = new Map<string, string[]>();
  for (const some of chunks([...subjects])) {
    const rows = await trx
      .selectFrom('period_change as line')
      .innerJoin('period_addendum as addendum', 'addendum.id', 'line.addendum_id')
      .select(['line.subject', 'line.detail'])
      .where('line.site', '=', site)
      .where('line.subject', 'in', some)
      .where('addendum.period_id', '=', periodId)
      .orderBy('addendum.number')
      .orderBy('line.number')
      .execute();
    for (const { subject, detail } of rows) {
      const lines = listed.get(subject);
      if (lines) lines.push(detail);
      else listed.set(subject, [detail]);
    }
  }
  const last = new Map<string, string>();
  return changes.filter(({ subject, detail, about }) => {
    if (about === null) return true;
    const key = JSON.stringify([subject, about]);
    const before = last.get(key) ?? listed.get(subject)?.findLast((line) => line.startsWith(about));
    last.set(key, detail);
    return before !== detail;
  });
}

async function appendLines(
  trx: Trx,
  { site, addendumId }: { readonly site: string; readonly addendumId: string },
  lines: readonly Pick<PeriodChangeRow, 'at' | 'subject' | 'detail'>[],
): Promise<void> {
  const { last } = await trx
    .selectFrom('period_change')
    .select((e) => e.fn.max('number').as('last'))
    .where('site', '=', site)
    .where('addendum_id', '=', addendumId)
    .executeTakeFirstOrThrow();
  let number = Number(last ?? 0);
  for (const some of chunks(lines)) {
    const rows = some.map((line) => {
      number += 1;
      return { ...line, id: uuidv7(), site, addendum_id: addendumId, number };
    });
    await trx.insertInto('period_change').values(rows).execute();
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
    .orderBy('number')
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
      .where('number', '>', from)
      .orderBy('number')
      .limit(CARRIED_AT_ONCE)
      .execute();
    if (rest.length === 0) return;
    const next = await openAddendum(trx, site, of.periodId, now);
    await appendLines(trx, { site, addendumId: next }, rest);
  }
}
