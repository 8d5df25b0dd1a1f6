import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedInsert } from '../storage/prepared.js';
import { preparedInsertRows } from '../storage/prepared-rows.js';
import type { BundleRow, FindingRow, IntakeKeyRow } from '../storage/tables.js';

export async function insertRawBytes(trx: Trx, sha256: string, bytes: Uint8Array): Promise<void> {
  await insertBytes(trx, { sha256, size: bytes.byteLength, bytes });
}

const insertBytes = preparedInsert('raw_bytes', ['sha256']);

export async function findBundleByRaw(
  db: Reader,
  site: string,
  rawSha256: string,
): Promise<BundleRow | undefined> {
  return (await bundleByRaw(db, { site, rawSha256 })).rows[0];
}

const bundleByRaw = prepared((db, of: { readonly site: string; readonly rawSha256: string }) =>
  db
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', of.site)
    .where('raw_sha256', '=', of.rawSha256),
);

export function findBundle(db: Reader, site: string, id: string): Promise<BundleRow | undefined> {
  return db
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
}

/** False when these bytes were taken before, be it at this very moment by another process. */
export const insertBundle = preparedInsert('bundle', ['site', 'raw_sha256']);

/** A lane for bundles that are settled in order; it stays. */
export const insertLane = preparedInsert('lane', ['site', 'name']);

export async function insertFindings(trx: Trx, rows: readonly FindingRow[]): Promise<void> {
  await insertFindingRows(trx, rows);
}

const insertFindingRows = preparedInsertRows('finding');

export function findingsOfBundle(db: Reader, bundleRowId: string): Promise<FindingRow[]> {
  return db
    .selectFrom('finding')
    .selectAll()
    .where('bundle_row_id', '=', bundleRowId)
    .orderBy('id')
    .execute();
}

export async function findIntakeKey(
  db: Reader,
  caller: string,
  key: string,
): Promise<IntakeKeyRow | undefined> {
  return (await intakeKey(db, { caller, key })).rows[0];
}

const intakeKey = prepared((db, of: { readonly caller: string; readonly key: string }) =>
  db.selectFrom('intake_key').selectAll().where('caller', '=', of.caller).where('key', '=', of.key),
);

/** False when the caller used the key before. */
export const insertIntakeKey = preparedInsert('intake_key', ['caller', 'key']);

/** The key was sent with bytes that had been taken under another one. */
export async function pointIntakeKey(
  trx: Trx,
  of: Pick<IntakeKeyRow, 'caller' | 'key' | 'bundle_row_id'>,
): Promise<void> {
  await trx
    .updateTable('intake_key')
    .set({ bundle_row_id: of.bundle_row_id })
    .where('caller', '=', of.caller)
    .where('key', '=', of.key)
    .execute();
}

export async function loadRawBytes(db: Reader, sha256: string): Promise<Uint8Array | undefined> {
  return (await rawBytes(db, { sha256 })).rows[0]?.bytes;
}

/** The size of stored bytes, and the bytes themselves where they are less than a limit. */
export async function loadSmallBytes(
  db: Reader,
  sha256: string,
  below: number,
): Promise<{ readonly size: number; readonly bytes: Uint8Array | null } | undefined> {
  return (await smallBytes(db, { sha256, below })).rows[0];
}

const smallBytes = prepared((db, of: { readonly sha256: string; readonly below: number }) =>
  db
    .selectFrom('raw_bytes')
    .select((eb) => [
      'size',
      eb.case().when('size', '<', of.below).then(eb.ref('bytes')).else(null).end().as('bytes'),
    ])
    .where('sha256', '=', of.sha256),
);

const rawBytes = prepared((db, of: { readonly sha256: string }) =>
  db.selectFrom('raw_bytes').select('bytes').where('sha256', '=', of.sha256),
);
