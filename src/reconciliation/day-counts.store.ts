import type { Reader } from '../storage/database.js';
import type { DeliveryCount } from './count-period.js';

export interface Days {
  /** `YYYY-MM-DD`, both included. */
  readonly first: string;
  readonly last: string;
}

export interface ResultSums {
  readonly accepted: number;
  readonly held: number;
  readonly refused: number;
  readonly superseded: number;
  readonly delivered: number;
  readonly confirmed: number;
}

const COUNTS = ['accepted', 'held', 'refused', 'superseded', 'delivered', 'confirmed'] as const;

/** What the comparison counted of the results of some days, at each destination and ('') all in all. */
export async function sumDays(
  reader: Reader,
  site: string,
  { first, last }: Days,
): Promise<ReadonlyMap<string, ResultSums>> {
  const rows = await reader
    .selectFrom('comparison_cell')
    .select((e) => ['destination', ...COUNTS.map((name) => e.fn.sum<number>(name).as(name))])
    .where('site', '=', site)
    .where('day', '>=', first)
    .where('day', '<=', last)
    .groupBy('destination')
    .execute();
  return new Map(rows.map(({ destination, ...sums }) => [destination, numbers(sums)]));
}

function numbers(sums: Readonly<Record<(typeof COUNTS)[number], unknown>>): ResultSums {
  return {
    accepted: Number(sums.accepted),
    held: Number(sums.held),
    refused: Number(sums.refused),
    superseded: Number(sums.superseded),
    delivered: Number(sums.delivered),
    confirmed: Number(sums.confirmed),
  };
}

/** As `sumDays` all in all, by instrument, by receipt or by day. */
export async function sumDaysBy(
  reader: Reader,
  site: string,
  by: 'instrument' | 'receipt_id' | 'day',
  { first, last }: Days,
): Promise<(ResultSums & { readonly key: string })[]> {
  const rows = await reader
    .selectFrom('comparison_cell')
    .select((e) => [by, ...COUNTS.map((name) => e.fn.sum<number>(name).as(name))])
    .where('site', '=', site)
    .where('day', '>=', first)
    .where('day', '<=', last)
    .where('destination', '=', '')
    .groupBy(by)
    .orderBy(by)
    .execute();
  return rows.map((row) => ({ key: row[by], ...numbers(row) }));
}

/** Receipts of some days: received or measured on one of them, or without a known goods receipt. */
function receiptsOf(reader: Reader, site: string, { first, last }: Days) {
  return reader
    .selectFrom('comparison_receipt')
    .where('site', '=', site)
    .where((e) =>
      e.or([
        e('day', '=', ''),
        e.and([e('day', '>=', first), e('day', '<=', last)]),
        e(
          'receipt_id',
          'in',
          e
            .selectFrom('comparison_cell')
            .select('comparison_cell.receipt_id')
            .where('comparison_cell.site', '=', site)
            .where('comparison_cell.day', '>=', first)
            .where('comparison_cell.day', '<=', last),
        ),
      ]),
    );
}

export async function receiptIdsOfDays(
  reader: Reader,
  site: string,
  days: Days,
): Promise<string[]> {
  const rows = await receiptsOf(reader, site, days)
    .select('receipt_id')
    .orderBy('receipt_id')
    .execute();
  return rows.map((r) => r.receipt_id);
}

export async function containersOfDays(
  reader: Reader,
  site: string,
  days: Days,
): Promise<{ readonly receipts: number; readonly expected: number; readonly measured: number }> {
  const row = await receiptsOf(reader, site, days)
    .select((e) => [
      e.fn.countAll<number>().as('receipts'),
      e.fn.sum<number>('expected').as('expected'),
      e.fn.sum<number>('measured').as('measured'),
    ])
    .executeTakeFirstOrThrow();
  return {
    receipts: Number(row.receipts),
    expected: Number(row.expected ?? 0),
    measured: Number(row.measured ?? 0),
  };
}

/** What these destinations have of the results of some days. */
export function destinationCounts(
  sums: ReadonlyMap<string, ResultSums>,
  destinations: readonly string[],
): DeliveryCount[] {
  return destinations.map((destination) => ({
    destination,
    delivered: sums.get(destination)?.delivered ?? 0,
    confirmed: sums.get(destination)?.confirmed ?? 0,
  }));
}
