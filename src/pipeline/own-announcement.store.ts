import { accountsOfPerson } from '../access/accounts.store.js';
import { responsibleForKey } from '../access/api-keys.store.js';
import { announcersOf } from '../receipts/lineage.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import type { Reader } from '../storage/database.js';

/**
 * Rule 15: whoever announced a receipt or changed it, or one that it was split off or merged from, or answers for a key by which
 * that was done, is not who lets it go on. Null when the person of this account did none of it.
 *
 * @param needed what somebody else has to do
 */
export async function ownAnnouncement(
  reader: Reader,
  of: { readonly site: string; readonly receiptId: string },
  accountId: string,
  needed: string,
): Promise<Refused | null> {
  const { site, receiptId } = of;
  const own = await accountsOfPerson(reader, accountId);
  const announcers = new Set(await announcersOf(reader, site, receiptId));
  for (const name of [...announcers]) {
    const responsible = await responsibleForKey(reader, site, name);
    if (responsible !== null) announcers.add(responsible);
  }
  if (!own.some((id) => announcers.has(id))) return null;
  const detail = `you announced or changed receipt ${receiptId}, or one it was split off or merged from, or answer for a key that did; somebody else has to ${needed}`;
  return refused('duty-own-announcement', detail);
}
