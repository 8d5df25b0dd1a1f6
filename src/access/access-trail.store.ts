import type { Instant } from '../formats/instant.js';
import type { Reader } from '../storage/database.js';
import type { AuditEntryRow } from '../storage/tables.js';

/** When the latest entry of the trail was written; null while there is none. */
export async function latestEntryAt(db: Reader, site: string): Promise<Instant | null> {
  const row = await db
    .selectFrom('audit_entry')
    .select('at')
    .where('site', '=', site)
    .orderBy('at', 'desc')
    .limit(1)
    .executeTakeFirst();
  return row?.at ?? null;
}

/** What was refused under the name of an account, latest first. */
export function refusedTries(
  db: Reader,
  site: string,
  accountId: string,
  limit: number,
): Promise<Pick<AuditEntryRow, 'at' | 'source' | 'reason'>[]> {
  return db
    .selectFrom('audit_entry')
    .select(['at', 'source', 'reason'])
    .where('site', '=', site)
    .where('subject_kind', '=', 'account')
    .where('subject_id', '=', accountId)
    .where('action', 'in', ['sign-in.refused', 're-authentication.refused'])
    .orderBy('at', 'desc')
    .orderBy('id', 'desc')
    .limit(limit)
    .execute();
}
