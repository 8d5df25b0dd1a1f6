import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { MappingRevisionRow } from '../storage/tables.js';

/** Keeps a revision; one that is there already is left as it is. */
export async function insertRevision(trx: Trx, row: MappingRevisionRow): Promise<void> {
  await trx
    .insertInto('mapping_revision')
    .values(row)
    .onConflict((c) => c.columns(['site', 'destination', 'digest']).doNothing())
    .execute();
}

/** Makes one revision the one that new deliveries pin. */
export async function setActive(
  trx: Trx,
  of: { readonly site: string; readonly destination: string; readonly digest: string },
): Promise<void> {
  await trx
    .updateTable('mapping_revision')
    .set((eb) => ({
      active: eb.case().when('digest', '=', of.digest).then(1).else(0).end() as never,
    }))
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .execute();
}

/** Destinations that are no longer configured keep their revisions and have none in force. */
export async function retireOthers(
  trx: Trx,
  site: string,
  destinations: readonly string[],
): Promise<void> {
  let query = trx.updateTable('mapping_revision').set({ active: 0 }).where('site', '=', site);
  if (destinations.length > 0) query = query.where('destination', 'not in', [...destinations]);
  await query.execute();
}

export interface ActiveRevision {
  readonly destination: string;
  readonly digest: string;
  readonly activatedAt: Instant;
}

export async function activeRevisions(reader: Reader, site: string): Promise<ActiveRevision[]> {
  const rows = await reader
    .selectFrom('mapping_revision')
    .select(['destination', 'digest', 'activated_at'])
    .where('site', '=', site)
    .where('active', '=', 1)
    .orderBy('destination')
    .execute();
  return rows.map(({ destination, digest, activated_at }) => ({
    destination,
    digest,
    activatedAt: activated_at,
  }));
}

/** JSON text of a revision's files; undefined when the digest is unknown. */
export async function revisionContent(
  reader: Reader,
  site: string,
  digest: string,
): Promise<{ readonly destination: string; readonly content: string } | undefined> {
  return await reader
    .selectFrom('mapping_revision')
    .select(['destination', 'content'])
    .where('site', '=', site)
    .where('digest', '=', digest)
    .executeTakeFirst();
}
