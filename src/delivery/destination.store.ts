import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
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
  const full = { site, name, tokensLeft: Math.max(1, ratePerSecond), now };
  const [row] = (await takeRow(trx, full)).rows;
  if (row === undefined) throw new Error(`the row of destination ${name} cannot be taken`);
  return row;
}

const takeRow = prepared((db, full: Tokens) =>
  db
    .insertInto('destination')
    .values({
      site: full.site,
      name: full.name,
      tokens: full.tokensLeft,
      tokens_at: full.now,
      breaker: 'closed',
      breaker_failures: 0,
      breaker_until: null,
      paused: 0,
      pause_reason: null,
    })
    .onConflict((c) =>
      c.columns(['site', 'name']).doUpdateSet((eb) => ({ name: eb.ref('destination.name') })),
    )
    .returningAll(),
);

export async function spendTokens(
  trx: Trx,
  site: string,
  name: string,
  tokensLeft: number,
  now: Instant,
): Promise<void> {
  await setTokens(trx, { site, name, tokensLeft, now });
}

interface Tokens {
  readonly site: string;
  readonly name: string;
  readonly tokensLeft: number;
  readonly now: Instant;
}

const setTokens = prepared((db, to: Tokens) =>
  db
    .updateTable('destination')
    .set({ tokens: to.tokensLeft, tokens_at: to.now })
    .where('site', '=', to.site)
    .where('name', '=', to.name),
);

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
  return (await selectRow(reader, { site, name })).rows[0] ?? null;
}

const selectRow = prepared((db, of: { readonly site: string; readonly name: string }) =>
  db.selectFrom('destination').selectAll().where('site', '=', of.site).where('name', '=', of.name),
);
