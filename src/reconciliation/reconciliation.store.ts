import type { Instant } from '../formats/instant.js';
import type { Reader } from '../storage/database.js';
import type { BundleState, ResultRow } from '../storage/tables.js';
import type { ExpectedContainer, MeasuredResult, SentDelivery } from './compare.js';
import type { ResultDelivery, StatementSummary } from './reconciliation-report.js';
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

/** Containers of these receipts, in the order announced. */
export async function expectedContainers(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ExpectedContainer[]> {
  const found: ExpectedContainer[] = [];
  for (const ids of chunks(receiptIds)) {
    const rows = await reader
      .selectFrom('container')
      .select(['receipt_id', 'label', 'required'])
      .where('site', '=', site)
      .where('receipt_id', 'in', ids)
      .orderBy('receipt_id')
      .orderBy('position')
      .execute();
    for (const r of rows) {
      found.push({ receiptId: r.receipt_id, label: r.label, required: r.required === 1 });
    }
  }
  return found;
}

/** Results measured in a period; one without a readable time counts when its bundle came. */
export async function resultsOfPeriod(
  reader: Reader,
  site: string,
  period: Period,
): Promise<MeasuredResult[]> {
  const rows = await reader
    .selectFrom('result')
    .innerJoin('bundle', 'bundle.id', 'result.bundle_row_id')
    .select(RESULT_COLUMNS)
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
  return rows.map(measuredResult);
}

/** Results of these receipts, whenever they were measured. */
export async function resultsOfReceipts(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<MeasuredResult[]> {
  const found: MeasuredResult[] = [];
  for (const ids of chunks(receiptIds)) {
    const rows = await reader
      .selectFrom('result')
      .select(RESULT_COLUMNS)
      .where('site', '=', site)
      .where('receipt_id', 'in', ids)
      .orderBy('id')
      .execute();
    found.push(...rows.map(measuredResult));
  }
  return found;
}

const RESULT_COLUMNS = [
  'result.id',
  'result.result_id',
  'result.state',
  'result.receipt_id',
  'result.receipt_scanned',
  'result.container_label',
  'result.container_scanned',
] as const;

function measuredResult(
  row: Pick<
    ResultRow,
    | 'id'
    | 'result_id'
    | 'state'
    | 'receipt_id'
    | 'receipt_scanned'
    | 'container_label'
    | 'container_scanned'
  >,
): MeasuredResult {
  return {
    rowId: row.id,
    resultId: row.result_id,
    state: row.state,
    receiptId: row.receipt_id,
    receiptScanned: row.receipt_scanned,
    containerLabel: row.container_label,
    containerScanned: row.container_scanned,
  };
}

/** Where each of these results stands at each destination, by its latest build. */
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

/** Deliveries created before `to` that are not closed well. Carried over still counts as open (rule 16). */
export async function openDeliveries(
  reader: Reader,
  site: string,
  to: Instant,
): Promise<SentDelivery[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select([
      'id',
      'subject_kind',
      'receipt_id',
      'destination',
      'state',
      'fault',
      'reason',
      'created_at',
    ])
    .where('site', '=', site)
    .where('created_at', '<', to)
    .where((e) =>
      e.or([
        e('fault', '=', 'duplicate'),
        e('state', 'not in', ['confirmed', 'cancelled', 'superseded']),
      ]),
    )
    .orderBy('created_at')
    .orderBy('id')
    .execute();
  return rows.map((r) => ({
    deliveryId: r.id,
    subjectKind: r.subject_kind,
    receiptId: r.receipt_id,
    destination: r.destination,
    state: r.state,
    fault: r.fault,
    reason: r.reason,
    createdAt: r.created_at,
  }));
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

/** Far below what either database allows in one `in (…)`. */
const CHUNK = 1000;

function chunks<T>(all: readonly T[]): T[][] {
  const out: T[][] = [];
  for (let i = 0; i < all.length; i += CHUNK) out.push(all.slice(i, i + CHUNK));
  return out;
}
