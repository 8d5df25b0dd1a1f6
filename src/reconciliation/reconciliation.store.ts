import { chunks } from '../storage/chunks.js';
import type { Reader } from '../storage/database.js';
import type { BundleState } from '../storage/tables.js';
import type { CountedResult, ResultDelivery } from './count-period.js';
import type { StatementSummary } from './reconciliation-report.js';
import type { Period } from './site-day.js';

/**
 * Announced receipts of a period: goods receipt in it, something measured in it, or no goods receipt known.
 * A late result so counts on the day it was measured.
 */
export async function receiptsOfPeriod(
  reader: Reader,
  site: string,
  period: Period,
): Promise<string[]> {
  const rows = await reader
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    .where('announced', '=', 1)
    .where((e) =>
      e.or([
        e('received_at', 'is', null),
        e.and([e('received_at', '>=', period.from), e('received_at', '<', period.to)]),
        e(
          'id',
          'in',
          e
            .selectFrom('result')
            .select((r) => r.ref('result.receipt_id').$notNull().as('receipt_id'))
            .where('result.site', '=', site)
            .where('result.receipt_id', 'is not', null)
            .where('result.measured_at', '>=', period.from)
            .where('result.measured_at', '<', period.to),
        ),
      ]),
    )
    .orderBy('id')
    .execute();
  return rows.map((r) => r.id);
}

/** Results measured in a period; one without a readable time counts when its bundle came. */
export async function resultsOfPeriod(
  reader: Reader,
  site: string,
  period: Period,
): Promise<CountedResult[]> {
  const rows = await reader
    .selectFrom('result')
    .leftJoin('bundle', 'bundle.id', 'result.bundle_row_id')
    .select(['result.id', 'result.state'])
    .where('result.site', '=', site)
    .where((e) =>
      e.or([
        e.and([e('measured_at', '>=', period.from), e('measured_at', '<', period.to)]),
        e.and([
          e('measured_at', 'is', null),
          e('bundle.received_at', '>=', period.from),
          e('bundle.received_at', '<', period.to),
        ]),
      ]),
    )
    .orderBy('result.id')
    .execute();
  return rows.map((r) => ({ rowId: r.id, state: r.state }));
}

/** Where each of these results stands at each destination, by the latest build of its latest revision. */
export async function resultDeliveries(
  reader: Reader,
  site: string,
  resultRowIds: readonly string[],
): Promise<ResultDelivery[]> {
  const latest = new Map<string, ResultDelivery>();
  for (const ids of chunks(resultRowIds)) {
    const rows = await reader
      .selectFrom('delivery')
      .select(['subject_id', 'destination', 'state'])
      .where('site', '=', site)
      .where('subject_kind', '=', 'result')
      .where('subject_id', 'in', ids)
      .orderBy('subject_revision')
      .orderBy('build')
      .execute();
    for (const row of rows) {
      latest.set(`${row.subject_id} ${row.destination}`, {
        resultRowId: row.subject_id,
        destination: row.destination,
        state: row.state,
      });
    }
  }
  return [...latest.values()];
}

export async function bundlesReceived(
  reader: Reader,
  site: string,
  state: BundleState,
  period: Period,
): Promise<number> {
  const row = await reader
    .selectFrom('bundle')
    .select((e) => e.fn.countAll<number>().as('count'))
    .where('site', '=', site)
    .where('state', '=', state)
    .where('received_at', '>=', period.from)
    .where('received_at', '<', period.to)
    .executeTakeFirstOrThrow();
  return Number(row.count);
}

/** The latest statement of each of these receipts that has one, with whether a stop is in force. */
export async function latestStatements(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<StatementSummary[]> {
  const found: StatementSummary[] = [];
  for (const ids of chunks(receiptIds)) {
    const statements = await reader
      .selectFrom('statement')
      .select(['receipt_id', 'revision', 'outcome'])
      .where('site', '=', site)
      .where('receipt_id', 'in', ids)
      .orderBy('receipt_id')
      .orderBy('revision')
      .execute();
    const stops = await reader
      .selectFrom('stop')
      .select('receipt_id')
      .where('site', '=', site)
      .where('receipt_id', 'in', ids)
      .where('lifted_at', 'is', null)
      .execute();
    const stopped = new Set(stops.map((s) => s.receipt_id));
    const latest = new Map(statements.map((s) => [s.receipt_id, s]));
    for (const s of latest.values()) {
      found.push({
        receiptId: s.receipt_id,
        revision: s.revision,
        outcome: s.outcome,
        hasStop: stopped.has(s.receipt_id),
      });
    }
  }
  return found;
}

export async function stopsIssued(reader: Reader, site: string, period: Period): Promise<number> {
  const row = await reader
    .selectFrom('stop')
    .select((e) => e.fn.countAll<number>().as('count'))
    .where('site', '=', site)
    .where('issued_at', '>=', period.from)
    .where('issued_at', '<', period.to)
    .executeTakeFirstOrThrow();
  return Number(row.count);
}
