import { breakerAt } from '../delivery/breaker.js';
import { keyIsHonoured } from '../delivery/delivery-mapping.js';
import { breakerOf, lockDestination, spendTokens } from '../delivery/destination.store.js';
import { lookForDue } from '../delivery/due-deliveries.store.js';
import { refilledTokens } from '../delivery/token-bucket.js';
import type { Destination } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import { mayTakeToken } from './sweep-rules.js';

/**
 * Takes one of a destination's tokens when its deliveries leave one to spare. False when they do not, or when
 * the destination just failed: whoever only looks never probes it. Stops ask for no token and are never held up.
 */
export async function takeSpareToken(
  of: { readonly database: OpenDatabase; readonly clock: Clock; readonly site: string },
  destination: Destination,
): Promise<boolean> {
  const { database, clock, site } = of;
  const { ratePerSecond } = destination.timing;
  const due = await lookForDue(database.db, {
    site,
    destination: destination.name,
    honoursKey: keyIsHonoured(destination),
    stops: false,
    now: clock.now(),
    limit: 1,
  });
  return await database.transact(async (trx) => {
    const now = clock.now();
    const row = await lockDestination(trx, site, destination.name, ratePerSecond, now);
    if (breakerAt(breakerOf(row), now) !== 'closed') return false;
    const tokens = refilledTokens(row.tokens, row.tokens_at, ratePerSecond, now);
    // A pause holds what is due, which then does not compete.
    const isBusy = due.length > 0 && row.paused === 0;
    if (!mayTakeToken({ tokens, ratePerSecond, isBusy })) return false;
    await spendTokens(trx, site, destination.name, tokens - 1, now);
    return true;
  });
}
