import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { prepared, preparedInsert } from '../storage/prepared.js';
import type { DestinationRow } from '../storage/tables.js';
import type { BreakerState } from './breaker.js';

/**
 * Takes the destination's row (tokens, breaker, pause), made with a full bucket when it is not there. A claim
 * starts with this, so that no two workers spend one token or exceed what may be in flight together.
 */
export async function lockDestination(
  trx: Trx,
  site: string,
  name: string,
  ratePerSecond: number,
  now: Instant,
): Promise<DestinationRow> {
  const found = (await lockRow(trx, { site, name })).rows[0];
  if (found !== undefined) return found;
  await insertRow(trx, {
    site,
    name,
    tokens: Math.max(1, ratePerSecond),
    tokens_at: now,
    breaker: 'closed',
    breaker_failures: 0,
    breaker_until: null,
    paused: 0,
    pause_reason: null,
    pause_kept: null,
  });
  const [made] = (await lockRow(trx, { site, name })).rows;
  if (made === undefined) throw new Error(`the row of destination ${name} cannot be taken`);
  return made;
}

const lockRow = prepared((db, of: { readonly site: string; readonly name: string }) =>
  forUpdate(
    db,
    db
      .selectFrom('destination')
      .selectAll()
      .where('site', '=', of.site)
      .where('name', '=', of.name),
    'destination',
  ),
);

const insertRow = preparedInsert('destination', ['site', 'name']);

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

/** It was away and answers again: it may be another version now, so it is looked at before a *conforms* leaves. */
export async function askForLook(
  trx: Trx,
  of: { readonly site: string; readonly name: string },
  now: Instant,
): Promise<void> {
  await trx
    .updateTable('destination_watch')
    .set({ must_look: 1, look_at: now })
    .where('site', '=', of.site)
    .where('destination', '=', of.name)
    .where('declared', '<>', '')
    .execute();
}

export function breakerOf(row: DestinationRow): BreakerState {
  return { breaker: row.breaker, failures: row.breaker_failures, until: row.breaker_until };
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
