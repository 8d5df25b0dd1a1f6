import { untoldOfResults, withdrawalsOfResults } from '../delivery/untold-withdrawals.store.js';
import { type Instant } from '../formats/instant.js';
import { chunks as inParts } from '../storage/chunks.js';
import type { Reader } from '../storage/database.js';
import type { DeliveryRow, ResultRow } from '../storage/tables.js';
import type { ExpectedContainer, MeasuredResult, SentDelivery } from './compare.js';
import type { ReceiptToCompare, UnownedToCompare } from './compare-unit.js';
import { holdingCodes } from './held-by.store.js';
import type { Period } from './site-day.js';

/** Far below what either database allows in one `in (…)`. */
const CHUNK = 500;

/**
 * Everything the comparison reads of these receipts, in a few queries however many they are. A receipt that
 * nobody announced is left out: nothing is expected of it and nothing belongs to it.
 */
export async function receiptsToCompare(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ReceiptToCompare[]> {
  const found: ReceiptToCompare[] = [];
  for (const ids of chunks(receiptIds)) {
    const receipts = await reader
      .selectFrom('receipt')
      .select(['id', 'revision', 'received_at'])
      .where('site', '=', site)
      .where('id', 'in', ids)
      .where('announced', '=', 1)
      .orderBy('id')
      .execute();
    const containers = await containersOf(reader, site, ids, receipts);
    const held = await withHolding(reader, await resultsOf(reader, site, ids));
    const results = await withWithdrawals(reader, site, held);
    const deliveries = await deliveriesOf(reader, site, ids, results);
    const owned = groupBy(results, (r) => r.receiptId);
    const sent = groupBy(deliveries, (d) => d.receiptId);
    const listed = groupBy(containers, (c) => c.receiptId);
    for (const { id, revision, received_at } of receipts) {
      found.push({
        receiptId: id,
        revision,
        receivedAt: received_at,
        containers: listed.get(id) ?? [],
        results: owned.get(id) ?? [],
        deliveries: sent.get(id) ?? [],
      });
    }
  }
  return found;
}

async function containersOf(
  reader: Reader,
  site: string,
  ids: readonly string[],
  receipts: readonly { readonly id: string; readonly received_at: Instant | null }[],
): Promise<ExpectedContainer[]> {
  const receivedAt = new Map(receipts.map((r) => [r.id, r.received_at]));
  const rows = await reader
    .selectFrom('container')
    .select(['receipt_id', 'label', 'required'])
    .where('site', '=', site)
    .where('receipt_id', 'in', ids)
    .orderBy('receipt_id')
    .orderBy('position')
    .execute();
  return rows.map((r) => ({
    receiptId: r.receipt_id,
    label: r.label,
    required: r.required === 1,
    receivedAt: receivedAt.get(r.receipt_id) ?? null,
  }));
}

const RESULT_COLUMNS = [
  'result.id',
  'result.result_id',
  'result.revision',
  'result.state',
  'result.receipt_id',
  'result.receipt_scanned',
  'result.container_label',
  'result.container_scanned',
  'result.instrument_serial',
  'result.measured_at',
] as const;

type ComparedRow = Pick<
  ResultRow,
  | 'id'
  | 'result_id'
  | 'revision'
  | 'state'
  | 'receipt_id'
  | 'receipt_scanned'
  | 'container_label'
  | 'container_scanned'
  | 'instrument_serial'
  | 'measured_at'
> & { readonly received_at: Instant | null };

/** Results, and when their bundle came where they have no time of their own: looked up for those alone. */
function results(reader: Reader) {
  return reader.selectFrom('result').select((e) => [
    ...RESULT_COLUMNS,
    e
      .case()
      .when('result.measured_at', 'is', null)
      .then(
        e
          .selectFrom('bundle')
          .select('bundle.received_at')
          .whereRef('bundle.id', '=', 'result.bundle_row_id'),
      )
      .end()
      .as('received_at'),
  ]);
}

function measuredResult(row: ComparedRow): MeasuredResult {
  return {
    rowId: row.id,
    resultId: row.result_id,
    revision: row.revision,
    state: row.state,
    receiptId: row.receipt_id,
    receiptScanned: row.receipt_scanned,
    containerLabel: row.container_label,
    containerScanned: row.container_scanned,
    instrument: row.instrument_serial,
    countsAt: row.measured_at ?? row.received_at ?? (0 as Instant),
  };
}

async function resultsOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<MeasuredResult[]> {
  const rows = await results(reader)
    .where('result.site', '=', site)
    .where('result.receipt_id', 'in', receiptIds)
    .orderBy('result.id')
    .execute();
  return rows.map(measuredResult);
}

/** These results, as the comparison reads them. */
export async function resultsById(
  reader: Reader,
  rowIds: readonly string[],
): Promise<MeasuredResult[]> {
  const found: MeasuredResult[] = [];
  for (const ids of chunks(rowIds)) {
    const rows = await results(reader).where('result.id', 'in', ids).execute();
    found.push(...rows.map(measuredResult));
  }
  return found;
}

async function withHolding(
  reader: Reader,
  all: readonly MeasuredResult[],
): Promise<MeasuredResult[]> {
  const codes = await holdingCodes(reader, all);
  return all.map((r) => ({ ...r, heldBy: codes.get(r.rowId) ?? [] }));
}

/** What destinations were told, or are to be told, of those that were withdrawn or may have to be. */
async function withWithdrawals(
  reader: Reader,
  site: string,
  all: readonly MeasuredResult[],
): Promise<MeasuredResult[]> {
  const ids = all.filter((r) => r.revision > 1 || r.state !== 'accepted').map((r) => r.rowId);
  if (ids.length === 0) return [...all];
  const untold = groupBy(await untoldOfResults(reader, site, ids), (u) => u.rowId);
  const told = groupBy(await withdrawalsOfResults(reader, site, ids), (w) => w.rowId);
  return all.map((r) => ({
    ...r,
    untold: untold.get(r.rowId) ?? [],
    withdrawals: told.get(r.rowId) ?? [],
  }));
}

const DELIVERY_COLUMNS = [
  'id',
  'subject_kind',
  'subject_id',
  'subject_revision',
  'build',
  'receipt_id',
  'destination',
  'state',
  'fault',
  'reason',
  'created_at',
] as const;

function sentDelivery(
  row: Pick<DeliveryRow, (typeof DELIVERY_COLUMNS)[number]>,
  receiptId: string | null,
): SentDelivery {
  return {
    deliveryId: row.id,
    subjectKind: row.subject_kind,
    subjectId: row.subject_id,
    subjectRevision: row.subject_revision,
    build: row.build,
    receiptId,
    destination: row.destination,
    state: row.state,
    fault: row.fault,
    reason: row.reason,
    createdAt: row.created_at,
  };
}

/** A result's deliveries are its receipt's, whatever they name; all others are by the receipt they name. */
async function deliveriesOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
  ofResults: readonly MeasuredResult[],
): Promise<SentDelivery[]> {
  const others = await reader
    .selectFrom('delivery')
    .select(DELIVERY_COLUMNS)
    .where('site', '=', site)
    .where('receipt_id', 'in', receiptIds)
    .where('subject_kind', '<>', 'result')
    .orderBy('id')
    .execute();
  return [
    ...(await deliveriesOfResults(reader, site, ofResults)),
    ...others.map((row) => sentDelivery(row, row.receipt_id)),
  ];
}

async function deliveriesOfResults(
  reader: Reader,
  site: string,
  of: readonly MeasuredResult[],
): Promise<SentDelivery[]> {
  const owners = new Map(of.map((r) => [r.rowId, r.receiptId]));
  const found: SentDelivery[] = [];
  for (const ids of chunks([...owners.keys()])) {
    const rows = await reader
      .selectFrom('delivery')
      .select(DELIVERY_COLUMNS)
      .where('site', '=', site)
      .where('subject_kind', '=', 'result')
      .where('subject_id', 'in', ids)
      .orderBy('id')
      .execute();
    found.push(...rows.map((row) => sentDelivery(row, owners.get(row.subject_id) ?? null)));
  }
  return found;
}

/** Results that belong to no receipt, with their deliveries: those among `rowIds`. */
export async function unownedToCompare(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<UnownedToCompare> {
  const unowned = (await resultsById(reader, rowIds)).filter((r) => r.receiptId === null);
  const held = await withHolding(reader, unowned);
  return { results: held, deliveries: await deliveriesOfResults(reader, site, held) };
}

/** Where results count that belong to no receipt. */
export interface UnownedPlace {
  readonly period: Period;
  /** Serials; '' for an instrument that cannot be read. */
  readonly instruments: readonly string[];
}

/**
 * As `unownedToCompare`, without what holds them: every result that counts there, a page at a time, since nothing bounds how
 * many a day has.
 */
export async function readUnowned(
  reader: Reader,
  site: string,
  place: UnownedPlace,
  see: (page: UnownedToCompare) => void,
): Promise<void> {
  for (const pageAfter of [measuredAfter, timelessAfter]) {
    for (let last: MeasuredResult | null = null; ; ) {
      const rows = await pageAfter(unownedAt(reader, site, place), place.period, last).execute();
      const found = rows.map(measuredResult);
      see({ results: found, deliveries: await deliveriesOfResults(reader, site, found) });
      last = found.at(-1) ?? null;
      if (last === null || found.length < CHUNK) break;
    }
  }
}

function unownedAt(reader: Reader, site: string, { instruments }: UnownedPlace) {
  const serials = instruments.filter((serial) => serial !== '');
  return results(reader)
    .where('result.site', '=', site)
    .where('result.receipt_id', 'is', null)
    .where((e) =>
      e.or([
        ...(serials.length > 0 ? [e('result.instrument_serial', 'in', serials)] : []),
        ...(serials.length < instruments.length ? [e('result.instrument_serial', 'is', null)] : []),
      ]),
    )
    .limit(CHUNK);
}

type UnownedQuery = ReturnType<typeof unownedAt>;

function measuredAfter(query: UnownedQuery, { from, to }: Period, last: MeasuredResult | null) {
  return query
    .where('result.measured_at', '>=', last?.countsAt ?? from)
    .where('result.measured_at', '<', to)
    .$if(last !== null, (q) =>
      q.where((e) =>
        e.or([
          e('result.measured_at', '>', last?.countsAt ?? from),
          e('result.id', '>', last?.rowId ?? ''),
        ]),
      ),
    )
    .orderBy('result.measured_at')
    .orderBy('result.id');
}

/** Those without a time of their own count when their bundle came. */
function timelessAfter(query: UnownedQuery, { from, to }: Period, last: MeasuredResult | null) {
  return query
    .where('result.measured_at', 'is', null)
    .where('result.id', '>', last?.rowId ?? '')
    .where((e) =>
      e.exists(
        e
          .selectFrom('bundle')
          .select('bundle.id')
          .whereRef('bundle.id', '=', 'result.bundle_row_id')
          .where('bundle.received_at', '>=', from)
          .where('bundle.received_at', '<', to),
      ),
    )
    .orderBy('result.id');
}

/** Deliveries of messages other than results that name no receipt: those among `ids`, by row. */
export async function deliveriesById(
  reader: Reader,
  site: string,
  deliveryIds: readonly string[],
): Promise<SentDelivery[]> {
  const found: SentDelivery[] = [];
  for (const ids of chunks(deliveryIds)) {
    const rows = await reader
      .selectFrom('delivery')
      .select(DELIVERY_COLUMNS)
      .where('site', '=', site)
      .where('id', 'in', ids)
      .execute();
    found.push(...rows.map((row) => sentDelivery(row, row.receipt_id)));
  }
  return found;
}

export function groupBy<T>(all: readonly T[], keyOf: (item: T) => string | null): Map<string, T[]> {
  const groups = new Map<string, T[]>();
  for (const item of all) {
    const key = keyOf(item);
    if (key === null) continue;
    const group = groups.get(key);
    if (group) group.push(item);
    else groups.set(key, [item]);
  }
  return groups;
}

export function chunks<T>(all: readonly T[], size = CHUNK): T[][] {
  return inParts(all, size);
}
