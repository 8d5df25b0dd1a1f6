import type { Actor } from '../audit/audit.store.js';
import { Problem } from '../problem-details.js';
import type { Trx } from '../storage/database.js';
import { lockAccounts, personOf } from './accounts.store.js';
import type { Right } from './rights.js';

/**
 * Asks for the right once more in the transaction of a change that gives rights away, behind the lock of the accounts:
 * whoever is being ended, or is losing a role, has made the change before, or makes none any more. The guard alone
 * asks too early; making a person takes as long as hashing a password.
 *
 * @param site whose roles count
 * @throws Problem `session-over`, `password-change-needed` or `right-missing`
 */
export async function mustStillBeAllowed(
  trx: Trx,
  actor: Actor,
  right: Right,
  site: string,
): Promise<void> {
  // What a program or the command line may, no account says.
  if (actor.kind !== 'person') return;
  // All of them, as whoever changes one does: one after the other, two could wait for each other.
  const account = (await lockAccounts(trx)).find(({ id }) => id === actor.name);
  if (account === undefined || account.deactivated_at !== null) {
    throw new Problem('session-over', 'account deactivated');
  }
  const { rights, mustChangePassword } = await personOf(trx, account, site);
  if (mustChangePassword) {
    throw new Problem('password-change-needed', 'your password was reset meanwhile');
  }
  if (!rights.has(right)) {
    throw new Problem('right-missing', `none of your roles gives the right ${right} any more`);
  }
}
