import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import type { SignInTriesRow } from '../storage/tables.js';

/** Locks the tries of a subject, which gets a row when it has none. */
export async function lockTries(trx: Trx, site: string, subject: string): Promise<SignInTriesRow> {
  const none = { failures: 0, last_at: 0 as Instant, blocked_until: null, turned_away: 0 };
  await trx
    .insertInto('sign_in_tries')
    .values({ site, subject, ...none })
    .onConflict((on) => on.doNothing())
    .execute();
  const query = trx
    .selectFrom('sign_in_tries')
    .selectAll()
    .where('site', '=', site)
    .where('subject', '=', subject);
  return forUpdate(trx, query, 'sign_in_tries').executeTakeFirstOrThrow();
}

export async function saveTries(trx: Trx, row: SignInTriesRow): Promise<void> {
  const { site, subject, ...values } = row;
  await trx
    .updateTable('sign_in_tries')
    .set(values)
    .where('site', '=', site)
    .where('subject', '=', subject)
    .execute();
}

/** Counts a try that was turned away, locking no other row; how many there are now, null for a subject without tries. */
export async function countTurnedAway(
  trx: Trx,
  site: string,
  subject: string,
): Promise<number | null> {
  const row = await trx
    .updateTable('sign_in_tries')
    .set((eb) => ({ turned_away: eb('turned_away', '+', 1) }))
    .where('site', '=', site)
    .where('subject', '=', subject)
    .returning('turned_away')
    .executeTakeFirst();
  return row?.turned_away ?? null;
}

/** True when there was something to forget. */
export async function forgetTries(trx: Trx, site: string, subject: string): Promise<boolean> {
  const gone = await trx
    .deleteFrom('sign_in_tries')
    .where('site', '=', site)
    .where('subject', '=', subject)
    .executeTakeFirst();
  return gone.numDeletedRows > 0n;
}

/** Names that nobody has are counted too; what is older than the rule remembers makes room. */
export async function dropOldTries(trx: Trx, site: string, before: Instant): Promise<void> {
  await trx
    .deleteFrom('sign_in_tries')
    .where('site', '=', site)
    .where('last_at', '<', before)
    .execute();
}

export function findTries(
  db: Reader,
  site: string,
  subject: string,
): Promise<SignInTriesRow | undefined> {
  return db
    .selectFrom('sign_in_tries')
    .selectAll()
    .where('site', '=', site)
    .where('subject', '=', subject)
    .executeTakeFirst();
}
