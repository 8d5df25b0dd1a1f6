import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import { DUE_LATER } from './open-deliveries.store.js';

/** Waits of one site that end after `latest`, which is later than any wait may end. */
export interface OverlongWaits {
  readonly site: string;
  readonly now: Instant;
  readonly latest: Instant;
}

/**
 * True when something waits longer than anything may: the clock was ahead when that was written and has gone
 * back since. Left alone it would wait as long as the clock was ahead.
 */
export async function hasOverlongWaits(reader: Reader, of: OverlongWaits): Promise<boolean> {
  for (const found of [await lateDue(reader, of), await lateAsk(reader, of)]) {
    if (found.rows.length > 0) return true;
  }
  return (await lateDestination(reader, of)).rows.length > 0;
}

const lateDue = prepared((db, of: OverlongWaits) =>
  db
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', of.site)
    .where(DUE_LATER)
    .where('due_at', '>', of.latest)
    .limit(sql.lit(1)),
);

const lateAsk = prepared((db, of: OverlongWaits) =>
  db
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', of.site)
    // Says what the index holds: PostgreSQL takes a third of all for later than a value it does not know.
    .where('next_ask_at', 'is not', null)
    .where('next_ask_at', '>', of.latest)
    .limit(sql.lit(1)),
);

const lateDestination = prepared((db, of: OverlongWaits) =>
  db
    .selectFrom('destination')
    .select('name')
    .where('site', '=', of.site)
    .where((eb) => eb.or([eb('breaker_until', '>', of.latest), eb('tokens_at', '>', of.latest)]))
    .limit(sql.lit(1)),
);

/** Ends them now: a retry too early is one attempt more under the same key, a question too early one more. */
export async function endOverlongWaits(
  trx: Trx,
  { site, now, latest }: OverlongWaits,
): Promise<void> {
  const destinations = () => trx.updateTable('destination').where('site', '=', site);
  await destinations().set({ breaker_until: now }).where('breaker_until', '>', latest).execute();
  await destinations().set({ tokens_at: now }).where('tokens_at', '>', latest).execute();
  const deliveries = () => trx.updateTable('delivery').where('site', '=', site);
  await deliveries().set({ due_at: now }).where(DUE_LATER).where('due_at', '>', latest).execute();
  await deliveries().set({ next_ask_at: now }).where('next_ask_at', '>', latest).execute();
}
