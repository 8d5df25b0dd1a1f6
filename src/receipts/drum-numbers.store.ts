import { chunks } from '../storage/chunks.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import type { DrumNumberRow } from '../storage/tables.js';
import { drumNumber } from './label.js';

/** A container that a receipt lists or listed under a key, and the GTIN and serial number that it carries or carried. */
export type ListedDrum = Pick<DrumNumberRow, 'receipt_id' | 'key' | 'number'>;

/** Notes the numbers of containers that a receipt lists; `keys` as `containerKey` makes them. */
export async function keepDrumNumbers(
  trx: Trx,
  site: string,
  receiptId: string,
  keys: readonly string[],
): Promise<void> {
  const rows = keys.flatMap((key) => {
    const number = drumNumber(key);
    return number === null ? [] : [{ site, receipt_id: receiptId, key, number }];
  });
  await insertNumbers(trx, rows);
}

/** What a container carried before its label was printed anew is noted under the new one too. */
export async function relabelDrum(
  trx: Trx,
  site: string,
  of: { readonly receiptId: string; readonly from: string; readonly to: string },
): Promise<void> {
  const rows = await drumsUnder(trx, site, of.receiptId, [of.from]);
  await insertNumbers(
    trx,
    rows.map((row) => ({ ...row, site, key: of.to })),
  );
}

/** Containers go from one receipt to another with every number that they carried there. */
export async function passDrumNumbers(
  trx: Trx,
  site: string,
  move: { readonly from: string; readonly to: string; readonly keys: readonly string[] },
): Promise<void> {
  const rows = await drumsUnder(trx, site, move.from, move.keys);
  await insertNumbers(
    trx,
    rows.map((row) => ({ ...row, site, receipt_id: move.to })),
  );
}

/** What a receipt lists or listed under these keys, by every number. */
export async function drumsUnder(
  reader: Reader,
  site: string,
  receiptId: string,
  keys: readonly string[],
): Promise<ListedDrum[]> {
  const found: ListedDrum[] = [];
  for (const some of chunks(keys)) {
    found.push(...(await numbersUnder(reader, { site, receiptId }, some)).rows);
  }
  return found;
}

/** What these receipts list or listed, by every number. */
export async function drumsOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ListedDrum[]> {
  const found: ListedDrum[] = [];
  for (const some of chunks(receiptIds)) {
    found.push(...(await numbersOfReceipts(reader, { site }, some)).rows);
  }
  return found;
}

/** Numbers of the containers that a receipt lists to this day. */
export async function numbersListed(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReadonlySet<string>> {
  const { rows } = await listedToday(reader, { site, receiptId });
  return new Set(rows.map(({ number }) => number));
}

/** Receipts that list or listed a container of one of these numbers, whatever became of them. */
export async function receiptsOfDrums(
  reader: Reader,
  site: string,
  numbers: Iterable<string>,
): Promise<ListedDrum[]> {
  const found: ListedDrum[] = [];
  for (const some of chunks([...new Set(numbers)])) {
    found.push(...(await listedByNumber(reader, { site }, some)).rows);
  }
  return found;
}

/**
 * Receipts that list a drum which one of these lists too, or of which a result of one of these was measured: it is the same
 * drum, announced anew after its receipt was cancelled for one, or scanned under the receipt of another.
 *
 * @param also numbers of drums that something is known of besides, at whatever receipt or none
 */
export async function receiptsSharingDrums(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
  also: Iterable<string>,
): Promise<ReadonlySet<string>> {
  const numbers = new Set(also);
  for (const { number } of await drumsOf(reader, site, receiptIds)) numbers.add(number);
  for (const some of chunks(receiptIds)) {
    for (const { number } of (await numbersMeasured(reader, { site }, some)).rows) {
      if (number !== null) numbers.add(number);
    }
  }
  const own = new Set(receiptIds);
  const found = await receiptsOfDrums(reader, site, numbers);
  return new Set(found.map((row) => row.receipt_id).filter((id) => !own.has(id)));
}

async function insertNumbers(trx: Trx, rows: readonly DrumNumberRow[]): Promise<void> {
  for (const some of chunks(rows)) {
    await trx
      .insertInto('drum_number')
      .values(some)
      .onConflict((c) => c.doNothing())
      .execute();
  }
}

interface OfSite {
  readonly site: string;
}

const listedByNumber = preparedForList((db, of: OfSite, numbers) =>
  db
    .selectFrom('drum_number')
    .select(['receipt_id', 'key', 'number'])
    .where('site', '=', of.site)
    .where('number', 'in', numbers),
);

const numbersOfReceipts = preparedForList((db, of: OfSite, ids) =>
  db
    .selectFrom('drum_number')
    .select(['receipt_id', 'key', 'number'])
    .where('site', '=', of.site)
    .where('receipt_id', 'in', ids),
);

const numbersUnder = preparedForList((db, of: OfSite & { readonly receiptId: string }, keys) =>
  db
    .selectFrom('drum_number')
    .select(['receipt_id', 'key', 'number'])
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('key', 'in', keys),
);

const listedToday = prepared((db, of: OfSite & { readonly receiptId: string }) =>
  db
    .selectFrom('drum_number')
    .innerJoin('container', (join) =>
      join
        .onRef('container.site', '=', 'drum_number.site')
        .onRef('container.receipt_id', '=', 'drum_number.receipt_id')
        .onRef('container.normalised', '=', 'drum_number.key'),
    )
    .select('drum_number.number')
    .where('drum_number.site', '=', of.site)
    .where('drum_number.receipt_id', '=', of.receiptId),
);

const numbersMeasured = preparedForList((db, of: OfSite, ids) =>
  db
    .selectFrom('result')
    .select('drum_number as number')
    .distinct()
    .where('site', '=', of.site)
    .where('receipt_id', 'in', ids)
    .where('drum_number', 'is not', null),
);
