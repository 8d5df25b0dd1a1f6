import type { Reader, Trx } from '../storage/database.js';
import type { BundleRow, FindingRow, IntakeKeyRow } from '../storage/tables.js';

export async function insertRawBytes(trx: Trx, sha256: string, bytes: Uint8Array): Promise<void> {
  await trx
    .insertInto('raw_bytes')
    .values({ sha256, size: bytes.byteLength, bytes })
    .onConflict((c) => c.column('sha256').doNothing())
    .execute();
}

export function findBundleByRaw(
  db: Reader,
  site: string,
  rawSha256: string,
): Promise<BundleRow | undefined> {
  return db
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', site)
    .where('raw_sha256', '=', rawSha256)
    .executeTakeFirst();
}

export function findBundle(db: Reader, site: string, id: string): Promise<BundleRow | undefined> {
  return db
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
}

export async function insertBundle(trx: Trx, row: BundleRow): Promise<void> {
  await trx.insertInto('bundle').values(row).execute();
}

/** Rows in one insert: far below the number of bound values either database allows. */
const ROWS = 500;

export async function insertFindings(trx: Trx, rows: readonly FindingRow[]): Promise<void> {
  for (let i = 0; i < rows.length; i += ROWS) {
    await trx
      .insertInto('finding')
      .values(rows.slice(i, i + ROWS))
      .execute();
  }
}

export function findingsOfBundle(db: Reader, bundleRowId: string): Promise<FindingRow[]> {
  return db
    .selectFrom('finding')
    .selectAll()
    .where('bundle_row_id', '=', bundleRowId)
    .orderBy('id')
    .execute();
}

export function findIntakeKey(
  db: Reader,
  caller: string,
  key: string,
): Promise<IntakeKeyRow | undefined> {
  return db
    .selectFrom('intake_key')
    .selectAll()
    .where('caller', '=', caller)
    .where('key', '=', key)
    .executeTakeFirst();
}

export async function insertIntakeKey(trx: Trx, row: IntakeKeyRow): Promise<void> {
  await trx.insertInto('intake_key').values(row).execute();
}

export async function loadRawBytes(db: Reader, sha256: string): Promise<Uint8Array | undefined> {
  const row = await db
    .selectFrom('raw_bytes')
    .select('bytes')
    .where('sha256', '=', sha256)
    .executeTakeFirst();
  return row?.bytes;
}
