import { type SqlBool, sql } from 'kysely';
import { addMs, type Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DiscrepancyClass, DiscrepancyEventRow, DiscrepancyRow } from '../storage/tables.js';
import { type ServiceTargets, targetOf } from './discrepancies.js';
import type { DiscrepancyFilter } from './discrepancy-filter.js';
import { CLASS_ORDER, type CountedDiscrepancies } from './discrepancy-grouping.js';
import type { PageCursor } from './page-cursor.js';

function filtered(reader: Reader, site: string, of: DiscrepancyFilter) {
  const { state, receipt, fault } = of;
  return reader
    .selectFrom('discrepancy')
    .where('site', '=', site)
    .$if(state === 'open', (q) => q.where(sql<SqlBool>`closed_at is null`))
    .$if(state === 'closed', (q) => q.where('closed_at', 'is not', null))
    .$if(typeof state === 'object', (q) => {
      const to = typeof state === 'object' ? state.openAt : (0 as Instant);
      return q
        .where((e) =>
          // A wrong clock dates what it reports after the day on which it is open already; a receipt to come is only due then.
          e.or([
            e('counts_from', '<', to),
            e.and([e('opened_at', '<', to), e('class', '<>', 'not-measured')]),
          ]),
        )
        .where((e) => e.or([e('closed_at', 'is', null), e('closed_at', '>=', to)]));
    })
    .$if(of.class !== undefined, (q) => q.where('class', '=', of.class as DiscrepancyClass))
    .$if(of.destination !== undefined, (q) => q.where('destination', '=', of.destination ?? ''))
    .$if(fault === 'none', (q) => q.where('fault', 'is', null))
    .$if(fault !== undefined && fault !== 'none', (q) => q.where('fault', '=', fault ?? ''))
    .$if(of.instrument !== undefined, (q) => q.where('instrument', '=', of.instrument ?? ''))
    .$if(receipt !== undefined, (q) => q.where('receipt_id', '=', receipt ?? ''));
}

/** One page, oldest first. */
export function discrepancyPage(
  reader: Reader,
  site: string,
  of: DiscrepancyFilter,
  after: PageCursor | null,
  limit: number,
): Promise<DiscrepancyRow[]> {
  return filtered(reader, site, of)
    .selectAll()
    .$if(after !== null, (q) =>
      q.where((e) =>
        e.or([
          e('opened_at', '>', after?.openedAt ?? (0 as Instant)),
          e.and([
            e('opened_at', '=', after?.openedAt ?? (0 as Instant)),
            e('id', '>', after?.id ?? ''),
          ]),
        ]),
      ),
    )
    .orderBy('opened_at')
    .orderBy('id')
    .limit(limit)
    .execute();
}

/** All of them, counted by what groups them. What a destination did is not told apart by receipt. */
export async function countDiscrepancies(
  reader: Reader,
  site: string,
  of: DiscrepancyFilter,
  targets: ServiceTargets,
  now: Instant,
): Promise<CountedDiscrepancies[]> {
  const since = sql.join(
    CLASS_ORDER.map(
      (name) => sql`when ${sql.lit(name)} then ${addMs(now, -targetOf(name, targets))}`,
    ),
    sql` `,
  );
  const owner = sql<string | null>`case when destination is null then receipt_id end`;
  const instrument = sql<
    string | null
  >`case when destination is null and receipt_id is null then instrument end`;
  const late = sql<number>`sum(case when closed_at is null
    and opened_at < cast(case class ${since} end as bigint) then 1 else 0 end)`;
  const rows = await filtered(reader, site, of)
    .select((e) => [
      'class',
      'destination',
      'fault',
      owner.as('owner'),
      instrument.as('serial'),
      e.fn.countAll<number>().as('count'),
      late.as('late'),
      e.fn.min('opened_at').as('oldest'),
    ])
    .groupBy(['class', 'destination', 'fault', owner, instrument])
    .execute();
  return rows.map((r) => ({
    class: r.class,
    destination: r.destination,
    fault: r.fault,
    receiptId: r.owner,
    instrument: r.serial,
    count: Number(r.count),
    late: Number(r.late),
    oldestAt: Number(r.oldest) as Instant,
  }));
}

export function findDiscrepancy(
  reader: Reader,
  site: string,
  id: string,
): Promise<DiscrepancyRow | undefined> {
  return reader
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
}

/** What people did about a discrepancy, in order. */
export function eventsOf(
  reader: Reader,
  site: string,
  discrepancyId: string,
  limit: number,
): Promise<DiscrepancyEventRow[]> {
  return reader
    .selectFrom('discrepancy_event')
    .selectAll()
    .where('site', '=', site)
    .where('discrepancy_id', '=', discrepancyId)
    .orderBy('at')
    .orderBy('id')
    .limit(limit)
    .execute();
}

/** Adds a step; what has its id already, when there is one, and null when it was added. */
export async function insertEvent(
  trx: Trx,
  row: DiscrepancyEventRow,
): Promise<DiscrepancyEventRow | null> {
  const { numInsertedOrUpdatedRows: added = 0n } = await trx
    .insertInto('discrepancy_event')
    .values(row)
    .onConflict((conflict) => conflict.column('id').doNothing())
    .executeTakeFirst();
  if (added > 0n) return null;
  return await trx
    .selectFrom('discrepancy_event')
    .selectAll()
    .where('id', '=', row.id)
    .executeTakeFirstOrThrow();
}

/** Gives an open discrepancy an owner; false when it is closed. */
export async function setOwner(
  trx: Trx,
  site: string,
  id: string,
  owner: string | null,
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('discrepancy')
    .set({ owner })
    .where('site', '=', site)
    .where('id', '=', id)
    .where('closed_at', 'is', null)
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}
