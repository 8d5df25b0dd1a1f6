import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { prepared } from '../storage/prepared.js';
import type { ApiKeyRow } from '../storage/tables.js';

export async function insertApiKey(trx: Trx, row: ApiKeyRow): Promise<void> {
  await trx.insertInto('api_key').values(row).execute();
}

export async function findApiKeyByDigest(
  db: Reader,
  digest: string,
): Promise<ApiKeyRow | undefined> {
  return (await keyByDigest(db, { digest })).rows[0];
}

/** By the secret in force, or the one that it replaced. */
const keyByDigest = prepared((db, of: { readonly digest: string }) =>
  db
    .selectFrom('api_key')
    .selectAll()
    .where((e) => e.or([e('secret_sha256', '=', of.digest), e('previous_sha256', '=', of.digest)])),
);

/** The account that answers for what is proposed with a key; null where there is no such key, or nobody was named. */
export async function responsibleForKey(
  db: Reader,
  site: string,
  id: string,
): Promise<string | null> {
  const row = await db
    .selectFrom('api_key')
    .select('responsible')
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
  return row?.responsible ?? null;
}

export function lockApiKey(trx: Trx, site: string, id: string): Promise<ApiKeyRow | undefined> {
  const query = trx.selectFrom('api_key').selectAll().where('site', '=', site).where('id', '=', id);
  return forUpdate(trx, query, 'api_key').executeTakeFirst();
}

export async function rotateApiKey(
  trx: Trx,
  id: string,
  secrets: Pick<ApiKeyRow, 'secret_sha256' | 'previous_sha256' | 'previous_until' | 'rotated_at'>,
): Promise<void> {
  await trx.updateTable('api_key').set(secrets).where('id', '=', id).execute();
}

export function listApiKeys(db: Reader, site: string): Promise<ApiKeyRow[]> {
  return db
    .selectFrom('api_key')
    .selectAll()
    .where('site', '=', site)
    .orderBy('created_at')
    .orderBy('id')
    .execute();
}

/** True when a key of that id was there and not revoked yet. */
export async function revokeApiKey(
  trx: Trx,
  site: string,
  id: string,
  now: Instant,
): Promise<boolean> {
  const changed = await trx
    .updateTable('api_key')
    .set({ revoked_at: now })
    .where('site', '=', site)
    .where('id', '=', id)
    .where('revoked_at', 'is', null)
    .executeTakeFirst();
  return changed.numUpdatedRows > 0n;
}

export async function noteApiKeyUse(trx: Trx, id: string, now: Instant): Promise<void> {
  await trx.updateTable('api_key').set({ last_used_at: now }).where('id', '=', id).execute();
}
