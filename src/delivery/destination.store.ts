import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DestinationRow } from '../storage/tables.js';
import type { BreakerState } from './breaker.js';

/**
 * Takes the destination's row (tokens, breaker, pause), made with a full bucket when it is not there. A
 * claim starts with this, so that two claims never spend the same token.
 */
export async function lockDestination(
  trx: Trx,
  site: string,
  name: string,
  ratePerSecond: number,
  now: Instant,
): Promise<DestinationRow> {
  return await trx
    .insertInto('destination')
    .values({
      site,
      name,
      tokens: Math.max(1, ratePerSecond),
      tokens_at: now,
      breaker: 'closed',
      breaker_failures: 0,
      breaker_until: null,
      paused: 0,
      pause_reason: null,
    })
    .onConflict((c) =>
      c.columns(['site', 'name']).doUpdateSet((eb) => ({ name: eb.ref('destination.name') })),
    )
    .returningAll()
    .executeTakeFirstOrThrow();
}

export async function spendTokens(
  trx: Trx,
  site: string,
  name: string,
  tokensLeft: number,
  now: Instant,
): Promise<void> {
  await trx
    .updateTable('destination')
    .set({ tokens: tokensLeft, tokens_at: now })
    .where('site', '=', site)
    .where('name', '=', name)
    .execute();
}

export async function saveBreaker(
  trx: Trx,
  site: string,
  name: string,
  state: BreakerState,
): Promise<void> {
  await trx
    .updateTable('destination')
    .set({
      breaker: state.breaker,
      breaker_failures: state.failures,
      breaker_until: state.until,
    })
    .where('site', '=', site)
    .where('name', '=', name)
    .execute();
}

/** Stops everything but stops (and, with `RESTORE_PAUSE`, stops too). */
export async function pauseDestination(
  trx: Trx,
  site: string,
  name: string,
  reason: string,
): Promise<void> {
  await trx
    .updateTable('destination')
    .set({ paused: 1, pause_reason: reason })
    .where('site', '=', site)
    .where('name', '=', name)
    .execute();
}

/** The destination's row as it stands; null before its first claim. */
export async function readDestination(
  reader: Reader,
  site: string,
  name: string,
): Promise<DestinationRow | null> {
  const row = await reader
    .selectFrom('destination')
    .selectAll()
    .where('site', '=', site)
    .where('name', '=', name)
    .executeTakeFirst();
  return row ?? null;
}
