import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { skipLocked } from '../storage/dialect.js';
import { bounded } from '../storage/prepared.js';
import type { ComparisonDueRow, DiscrepancyRow } from '../storage/tables.js';
import type { Discrepancy } from './compare.js';
import type { StoredDiscrepancy } from './compare-unit.js';
import { chunks } from './comparison-facts.store.js';
import type { Mark, MarkedDiscrepancy } from './noted-changes.js';
import type { Cell, ReceiptTally } from './tally.js';

/**
 * Takes the site's comparison for this transaction: rounds come one after the other. Answers with the settings
 * of the last round, '' before the first; null when another transaction has it and `wait` is false.
 */
export async function takeComparison(
  trx: Trx,
  site: string,
  wait: boolean,
): Promise<string | null> {
  if (wait) {
    await trx
      .insertInto('comparison_state')
      .values({ site, settings: '' })
      .onConflict((c) => c.column('site').doUpdateSet({ site }))
      .execute();
  }
  const row = trx.selectFrom('comparison_state').select('settings').where('site', '=', site);
  const found = await skipLocked(trx, row, 'comparison_state').executeTakeFirst();
  if (found) return found.settings;
  if (wait) throw new Error('the comparison was taken and is not there');
  const isThere = await row.executeTakeFirst();
  return isThere ? null : takeComparison(trx, site, true);
}

export async function saveSettings(trx: Trx, site: string, settings: string): Promise<void> {
  await trx.updateTable('comparison_state').set({ settings }).where('site', '=', site).execute();
}

/** The oldest marks of what is to be compared. */
export function readMarks(reader: Reader, site: string, limit: number): Promise<Mark[]> {
  return marks(reader, site, limit).where(sql<boolean>`kind <> 'discrepancy'`).execute();
}

/** The oldest marks of discrepancies that were opened or closed, by whomever. */
export function readDiscrepancyMarks(reader: Reader, site: string, limit: number): Promise<Mark[]> {
  return marks(reader, site, limit).where(sql<boolean>`kind = 'discrepancy'`).execute();
}

function marks(reader: Reader, site: string, limit: number) {
  return reader
    .selectFrom('comparison_mark')
    .select(['n', 'kind', 'subject', 'state', 'receipt_id', 'container_label'])
    .where('site', '=', site)
    .orderBy('n')
    .limit(bounded(limit));
}

export async function hasMarks(reader: Reader, site: string): Promise<boolean> {
  return (await readMarks(reader, site, 1)).length > 0;
}

export async function deleteMarks(trx: Trx, marks: readonly Mark[]): Promise<void> {
  for (const some of chunks(marks.map((m) => m.n))) {
    await trx.deleteFrom('comparison_mark').where('n', 'in', some).execute();
  }
}

/** These receipts are compared again: what was changed at another bears on them. */
export async function markReceipts(
  trx: Trx,
  site: string,
  receiptIds: readonly string[],
): Promise<void> {
  const rows = receiptIds.map((subject) => ({ site, kind: 'receipt' as const, subject }));
  for (const some of chunks(rows)) await trx.insertInto('comparison_mark').values(some).execute();
}

/** Everything of the site is compared again: the settings of the comparison changed. */
export async function markAll(trx: Trx, site: string): Promise<void> {
  await sql`insert into comparison_mark (site, kind, subject)
    select site, 'receipt', id from receipt where site = ${site} and announced = 1`.execute(trx);
  await sql`insert into comparison_mark (site, kind, subject)
    select site, 'result-again', id from result where site = ${site} and receipt_id is null`.execute(
    trx,
  );
  await sql`insert into comparison_mark (site, kind, subject)
    select site, 'delivery-again', id from delivery where site = ${site} and receipt_id is null
      and subject_kind <> 'result'`.execute(trx);
}

export type DueSubject =
  | { readonly kind: 'receipt'; readonly subject: string }
  | Readonly<Pick<ComparisonDueRow, 'kind' | 'subject'>>;

/** Receipts and unowned subjects with a delivery that becomes overdue by now. */
export async function dueByNow(
  reader: Reader,
  site: string,
  now: Instant,
  limit: number,
): Promise<DueSubject[]> {
  const receipts = await reader
    .selectFrom('comparison_receipt')
    .select('receipt_id')
    .where('site', '=', site)
    .where('next_due_at', '<', now)
    .orderBy('next_due_at')
    .limit(bounded(limit))
    .execute();
  const others = await reader
    .selectFrom('comparison_due')
    .select(['kind', 'subject'])
    .where('site', '=', site)
    .where('due_at', '<', now)
    .orderBy('due_at')
    .limit(bounded(limit))
    .execute();
  return [...receipts.map((r) => ({ kind: 'receipt' as const, subject: r.receipt_id })), ...others];
}

export async function saveDue(
  trx: Trx,
  site: string,
  due: Omit<ComparisonDueRow, 'site' | 'due_at'>,
  at: Instant | null,
): Promise<void> {
  await trx
    .deleteFrom('comparison_due')
    .where('site', '=', site)
    .where('kind', '=', due.kind)
    .where('subject', '=', due.subject)
    .execute();
  if (at === null) return;
  await trx
    .insertInto('comparison_due')
    .values({ site, ...due, due_at: at })
    .execute();
}

export type StoredReceipt = ReceiptTally & { readonly nextDueAt: Instant | null };

export async function storedReceipts(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<StoredReceipt[]> {
  const found: StoredReceipt[] = [];
  for (const ids of chunks(receiptIds)) {
    const rows = await reader
      .selectFrom('comparison_receipt')
      .selectAll()
      .where('site', '=', site)
      .where('receipt_id', 'in', ids)
      .execute();
    for (const { receipt_id, day, containers, expected, measured, next_due_at } of rows) {
      found.push({
        receiptId: receipt_id,
        day,
        containers,
        expected,
        measured,
        nextDueAt: next_due_at,
      });
    }
  }
  return found;
}

export async function saveReceipts(
  trx: Trx,
  site: string,
  receipts: readonly StoredReceipt[],
): Promise<void> {
  for (const some of chunks(receipts, 100)) {
    await trx
      .insertInto('comparison_receipt')
      .values(
        some.map((r) => ({
          site,
          receipt_id: r.receiptId,
          day: r.day,
          containers: r.containers,
          expected: r.expected,
          measured: r.measured,
          next_due_at: r.nextDueAt,
        })),
      )
      .onConflict((c) =>
        c.columns(['site', 'receipt_id']).doUpdateSet((e) => ({
          day: e.ref('excluded.day'),
          containers: e.ref('excluded.containers'),
          expected: e.ref('excluded.expected'),
          measured: e.ref('excluded.measured'),
          next_due_at: e.ref('excluded.next_due_at'),
        })),
      )
      .execute();
  }
}

/** Cells of these receipts; `['']` those of nobody, which `place` narrows to a day and an instrument. */
export async function storedCells(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
  place: { readonly day?: string; readonly instrument?: string } = {},
): Promise<Cell[]> {
  const found: Cell[] = [];
  for (const ids of chunks(receiptIds)) {
    const rows = await reader
      .selectFrom('comparison_cell')
      .selectAll()
      .where('site', '=', site)
      .where('receipt_id', 'in', ids)
      .$if(place.day !== undefined, (q) => q.where('day', '=', place.day ?? ''))
      .$if(place.instrument !== undefined, (q) =>
        q.where('instrument', '=', place.instrument ?? ''),
      )
      .execute();
    for (const { site: _site, receipt_id, ...rest } of rows) {
      found.push({ ...rest, receiptId: receipt_id });
    }
  }
  return found;
}

export async function saveCells(trx: Trx, site: string, cells: readonly Cell[]): Promise<void> {
  for (const some of chunks(cells, 80)) {
    await trx
      .insertInto('comparison_cell')
      .values(some.map(({ receiptId, ...rest }) => ({ site, receipt_id: receiptId, ...rest })))
      .onConflict((c) =>
        c.columns(['site', 'day', 'receipt_id', 'instrument', 'destination']).doUpdateSet((e) => ({
          accepted: e.ref('excluded.accepted'),
          held: e.ref('excluded.held'),
          refused: e.ref('excluded.refused'),
          superseded: e.ref('excluded.superseded'),
          delivered: e.ref('excluded.delivered'),
          confirmed: e.ref('excluded.confirmed'),
        })),
      )
      .execute();
  }
}

export async function deleteCells(trx: Trx, site: string, cells: readonly Cell[]): Promise<void> {
  for (const cell of cells) {
    await trx
      .deleteFrom('comparison_cell')
      .where('site', '=', site)
      .where('day', '=', cell.day)
      .where('receipt_id', '=', cell.receiptId)
      .where('instrument', '=', cell.instrument)
      .where('destination', '=', cell.destination)
      .execute();
  }
}

/** Counts of what belongs to no receipt, for all days: who deletes them has every result of none compared again. */
export async function deleteCellsOfNobody(trx: Trx, site: string): Promise<void> {
  await trx
    .deleteFrom('comparison_cell')
    .where('site', '=', site)
    .where('receipt_id', '=', '')
    .execute();
}

/** Receipts the comparison knows and nobody announced any more. */
export async function orphanedReceipts(reader: Reader, site: string): Promise<string[]> {
  const rows = await reader
    .selectFrom('comparison_receipt')
    .leftJoin('receipt', (join) =>
      join
        .onRef('receipt.site', '=', 'comparison_receipt.site')
        .onRef('receipt.id', '=', 'comparison_receipt.receipt_id')
        .on('receipt.announced', '=', 1),
    )
    .select('comparison_receipt.receipt_id')
    .where('comparison_receipt.site', '=', site)
    .where('receipt.id', 'is', null)
    .execute();
  return rows.map((r) => r.receipt_id);
}

export async function deleteReceipt(trx: Trx, site: string, receiptId: string): Promise<void> {
  for (const table of ['comparison_receipt', 'comparison_cell'] as const) {
    await trx
      .deleteFrom(table)
      .where('site', '=', site)
      .where('receipt_id', '=', receiptId)
      .execute();
  }
}

/** Announced receipts in the order of their ids. */
export async function receiptIdsAfter(
  reader: Reader,
  site: string,
  after: string,
  limit: number,
): Promise<string[]> {
  const rows = await reader
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    .where('announced', '=', 1)
    .where('id', '>', after)
    .orderBy('id')
    .limit(limit)
    .execute();
  return rows.map((r) => r.id);
}

/** Results and other deliveries that belong to nobody, in the order of their ids. */
export async function unownedIdsAfter(
  reader: Reader,
  site: string,
  kind: 'result' | 'delivery',
  after: string,
  limit: number,
): Promise<string[]> {
  const rows =
    kind === 'result'
      ? await reader
          .selectFrom('result')
          .select('id')
          .where('site', '=', site)
          .where('receipt_id', 'is', null)
          .where('id', '>', after)
          .orderBy('id')
          .limit(limit)
          .execute()
      : await reader
          .selectFrom('delivery')
          .select('id')
          .where('site', '=', site)
          .where('receipt_id', 'is', null)
          .where('subject_kind', '<>', 'result')
          .where('id', '>', after)
          .orderBy('id')
          .limit(limit)
          .execute();
  return rows.map((r) => r.id);
}

/** Open discrepancies of these receipts that the comparison opened, and those about these subjects, whoever did. */
export async function storedDiscrepancies(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
  subjects: Iterable<string>,
): Promise<StoredDiscrepancy[]> {
  const found = new Map<string, StoredDiscrepancy>();
  const open = () =>
    reader
      .selectFrom('discrepancy')
      .selectAll()
      .where('site', '=', site)
      .where(sql<boolean>`closed_at is null`);
  for (const ids of chunks(receiptIds)) {
    const rows = await open()
      .where('receipt_id', 'in', ids)
      .where(sql<boolean>`derived = 1`)
      .execute();
    for (const row of rows) found.set(row.id, storedDiscrepancy(row));
  }
  for (const some of chunks([...new Set(subjects)])) {
    const rows = await open().where('subject', 'in', some).execute();
    for (const row of rows) found.set(row.id, storedDiscrepancy(row));
  }
  return [...found.values()];
}

/** Every open discrepancy that the comparison opened and that has no receipt. */
export async function unownedDiscrepancies(
  reader: Reader,
  site: string,
): Promise<StoredDiscrepancy[]> {
  const rows = await openDerived(reader, site).where('receipt_id', 'is', null).execute();
  return rows.map(storedDiscrepancy);
}

/** Every open discrepancy that the comparison opened about a result or a delivery that is not there. */
export async function orphanedDiscrepancies(
  reader: Reader,
  site: string,
): Promise<StoredDiscrepancy[]> {
  const rows = await openDerived(reader, site)
    .where(
      sql<boolean>`(
        subject like 'result:%' and not exists (
          select 1 from result where result.id = substr(discrepancy.subject, 8))
        or subject like 'delivery:%' and not exists (
          select 1 from delivery where delivery.id = substr(discrepancy.subject, 10)))`,
    )
    .execute();
  return rows.map(storedDiscrepancy);
}

/** Written out, as in the index of these rows. */
function openDerived(reader: Reader, site: string) {
  return reader
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', site)
    .where(sql<boolean>`closed_at is null and derived = 1`);
}

function storedDiscrepancy(row: DiscrepancyRow): StoredDiscrepancy {
  return {
    id: row.id,
    derived: row.derived === 1,
    class: row.class,
    subject: row.subject,
    detail: row.detail,
    receiptId: row.receipt_id,
    containerLabel: row.container_label,
    destination: row.destination,
    instrument: row.instrument,
    fault: row.fault as Discrepancy['fault'],
    countsFrom: row.counts_from,
  };
}

export async function discrepanciesById(
  reader: Reader,
  ids: readonly string[],
): Promise<MarkedDiscrepancy[]> {
  const found: MarkedDiscrepancy[] = [];
  for (const some of chunks([...new Set(ids)])) {
    const rows = await reader
      .selectFrom('discrepancy')
      .select(['id', 'class', 'subject', 'detail', 'counts_from', 'closing_evidence'])
      .where('id', 'in', some)
      .execute();
    found.push(...rows);
  }
  return found;
}

export async function insertDerived(trx: Trx, rows: readonly DiscrepancyRow[]): Promise<void> {
  for (const some of chunks(rows, 60)) {
    await trx
      .insertInto('discrepancy')
      .values(some)
      .onConflict((c) => c.doNothing())
      .execute();
  }
}

export async function updateDerived(trx: Trx, id: string, to: Discrepancy): Promise<void> {
  await trx
    .updateTable('discrepancy')
    .set({
      detail: to.detail,
      receipt_id: to.receiptId,
      container_label: to.containerLabel,
      destination: to.destination,
      instrument: to.instrument,
      fault: to.fault,
      ...(to.countsFrom === null ? {} : { counts_from: to.countsFrom }),
    })
    .where('id', '=', id)
    .where('closed_at', 'is', null)
    .execute();
}

export async function closeDerived(
  trx: Trx,
  id: string,
  evidence: string,
  now: Instant,
): Promise<void> {
  await trx
    .updateTable('discrepancy')
    .set({ closed_at: now, closing_evidence: evidence })
    .where('id', '=', id)
    .where('closed_at', 'is', null)
    .execute();
}
