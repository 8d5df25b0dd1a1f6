import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { SessionRow } from '../storage/tables.js';

export async function insertSession(trx: Trx, row: SessionRow): Promise<void> {
  await trx.insertInto('session').values(row).execute();
}

const byDigest = prepared((db, of: { readonly digest: string }) =>
  db.selectFrom('session').selectAll().where('secret_sha256', '=', of.digest),
);

export async function findSessionByDigest(
  db: Reader,
  digest: string,
): Promise<SessionRow | undefined> {
  return (await byDigest(db, { digest })).rows[0];
}

export function openSessions(db: Reader, site: string): Promise<SessionRow[]> {
  return db
    .selectFrom('session')
    .selectAll()
    .where('site', '=', site)
    .where('ended_at', 'is', null)
    .orderBy('id')
    .execute();
}

/** Latest first. */
export function sessionsOf(db: Reader, accountId: string, limit: number): Promise<SessionRow[]> {
  return db
    .selectFrom('session')
    .selectAll()
    .where('account_id', '=', accountId)
    .orderBy('started_at', 'desc')
    .orderBy('id', 'desc')
    .limit(limit)
    .execute();
}

export function openSessionsOf(db: Reader, accountId: string): Promise<SessionRow[]> {
  return db
    .selectFrom('session')
    .selectAll()
    .where('account_id', '=', accountId)
    .where('ended_at', 'is', null)
    .orderBy('id')
    .execute();
}

/** True when it was open until now. */
export async function endSession(
  trx: Trx,
  id: string,
  at: Instant,
  reason: string,
): Promise<boolean> {
  const changed = await trx
    .updateTable('session')
    .set({ ended_at: at, end_reason: reason })
    .where('id', '=', id)
    .where('ended_at', 'is', null)
    .executeTakeFirst();
  return changed.numUpdatedRows > 0n;
}

/** Forward only, and never on a session that has ended meanwhile. */
export async function noteSeen(trx: Trx, id: string, at: Instant): Promise<void> {
  await trx
    .updateTable('session')
    .set({ seen_at: at })
    .where('id', '=', id)
    .where('seen_at', '<', at)
    .where('ended_at', 'is', null)
    .execute();
}
