import { sql } from 'kysely';
import type { Reader } from '../storage/database.js';
import { preparedForList } from '../storage/prepared.js';
import { isSerialKey, SERIAL_LIKE } from './label.js';

/** A receipt whose list has, or had before a label was printed anew, a container of this key. */
export interface ListedKey {
  readonly receiptId: string;
  readonly key: string;
}

/** Receipts that list a container of one of these keys, or did before its label was printed anew, whatever became of them. */
export async function receiptsWithKeys(
  reader: Reader,
  site: string,
  keys: readonly string[],
): Promise<ListedKey[]> {
  const found: ListedKey[] = [];
  for (let i = 0; i < keys.length; i += CHUNK) {
    const some = keys.slice(i, i + CHUNK);
    for (const query of [listedUnder, printedBefore]) {
      for (const row of (await query(reader, { site }, some)).rows) {
        found.push({ receiptId: row.receipt_id, key: row.key });
      }
    }
  }
  return found;
}

/**
 * Receipts that list a container with a serial number that one of these lists too: it is the same drum, announced anew after
 * its receipt was cancelled for one.
 */
export async function receiptsSharingDrums(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ReadonlySet<string>> {
  const keys = new Set<string>();
  for (let i = 0; i < receiptIds.length; i += CHUNK) {
    const some = receiptIds.slice(i, i + CHUNK);
    for (const query of [serialsOf, serialsBefore]) {
      for (const { key } of (await query(reader, { site }, some)).rows) {
        if (isSerialKey(key)) keys.add(key);
      }
    }
  }
  const own = new Set(receiptIds);
  const found = await receiptsWithKeys(reader, site, [...keys]);
  return new Set(found.map(({ receiptId }) => receiptId).filter((id) => !own.has(id)));
}

/** Values bound in one `in (…)`. */
const CHUNK = 1000;

interface OfSite {
  readonly site: string;
}

const listedUnder = preparedForList((db, of: OfSite, keys) =>
  db
    .selectFrom('container')
    .select(['receipt_id', 'normalised as key'])
    .where('site', '=', of.site)
    .where('normalised', 'in', keys),
);

const printedBefore = preparedForList((db, of: OfSite, keys) =>
  db
    .selectFrom('container_relabel')
    .select(['receipt_id', 'old_key as key'])
    .where('site', '=', of.site)
    .where('old_key', 'in', keys),
);

const serialsOf = preparedForList((db, of: OfSite, ids) =>
  db
    .selectFrom('container')
    .select('normalised as key')
    .where('site', '=', of.site)
    .where('receipt_id', 'in', ids)
    .where('normalised', 'like', sql.lit(SERIAL_LIKE)),
);

const serialsBefore = preparedForList((db, of: OfSite, ids) =>
  db
    .selectFrom('container_relabel')
    .select('old_key as key')
    .where('site', '=', of.site)
    .where('receipt_id', 'in', ids)
    .where('old_key', 'like', sql.lit(SERIAL_LIKE)),
);
