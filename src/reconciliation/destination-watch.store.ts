import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { prepared } from '../storage/prepared.js';
import type { DestinationWatchRow } from '../storage/tables.js';

/** `declared` of a destination whose mapping names nothing to watch. */
export const NOTHING_DECLARED = '';

export async function watches(
  reader: Reader,
  site: string,
): Promise<readonly DestinationWatchRow[]> {
  return (await watchesOf(reader, { site })).rows;
}

const watchesOf = prepared((db, of: { readonly site: string }) =>
  db.selectFrom('destination_watch').selectAll().where('site', '=', of.site).orderBy('destination'),
);

export async function lockWatch(
  trx: Trx,
  site: string,
  destination: string,
): Promise<DestinationWatchRow | undefined> {
  const query = trx
    .selectFrom('destination_watch')
    .selectAll()
    .where('site', '=', site)
    .where('destination', '=', destination);
  return await forUpdate(trx, query, 'destination_watch').executeTakeFirst();
}

/** A watch that knows nothing yet. */
export function emptyWatch(
  of: { readonly site: string; readonly destination: string },
  declared: string,
  now: Instant,
): DestinationWatchRow {
  const isWatched = declared !== NOTHING_DECLARED;
  return {
    site: of.site,
    destination: of.destination,
    declared,
    approved_digest: null,
    approved_document: null,
    approved_at: null,
    seen_digest: null,
    seen_document: null,
    seen_at: null,
    hold: isWatched ? 'unread' : null,
    hold_since: isWatched ? now : null,
    difference: null,
    difference_since: null,
    must_look: isWatched ? 1 : 0,
    look_at: now,
    detail: null,
  };
}

export async function insertWatch(trx: Trx, row: DestinationWatchRow): Promise<void> {
  await trx
    .insertInto('destination_watch')
    .values(row)
    .onConflict((c) => c.doNothing())
    .execute();
}

export async function changeWatch(
  trx: Trx,
  of: { readonly site: string; readonly destination: string },
  change: Partial<Omit<DestinationWatchRow, 'site' | 'destination'>>,
): Promise<void> {
  await trx
    .updateTable('destination_watch')
    .set(change)
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .execute();
}

/** Sets or clears the difference that many records share; the instant of the first stays. */
export async function setDifference(
  trx: Trx,
  to: {
    readonly site: string;
    readonly destination: string;
    readonly difference: string | null;
    readonly now: Instant;
  },
): Promise<void> {
  await insertWatch(trx, emptyWatch(to, NOTHING_DECLARED, to.now));
  await changeWatch(trx, to, {
    difference: to.difference,
    difference_since:
      to.difference === null
        ? null
        : (sql<Instant>`coalesce(difference_since, ${to.now})` as unknown as Instant),
  });
}
