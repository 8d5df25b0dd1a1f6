import type { Reader, Trx } from '../storage/database.js';
import type { InboundRevisionRow } from '../storage/tables.js';

/** Keeps a revision of an inbound mapping and makes it the one that documents of its source are read by. */
export async function activateInbound(trx: Trx, row: InboundRevisionRow): Promise<void> {
  await trx
    .insertInto('inbound_revision')
    .values(row)
    .onConflict((c) => c.columns(['site', 'source', 'digest']).doNothing())
    .execute();
  await retireInbound(trx, row.site, row.source);
  await trx
    .updateTable('inbound_revision')
    .set({ active: 1 })
    .where('site', '=', row.site)
    .where('source', '=', row.source)
    .where('digest', '=', row.digest)
    .execute();
}

/** A source that is no longer configured keeps its revisions and has none in force. */
export async function retireInbound(trx: Trx, site: string, source: string): Promise<void> {
  await trx
    .updateTable('inbound_revision')
    .set({ active: 0 })
    .where('site', '=', site)
    .where('source', '=', source)
    .execute();
}

/** Digest in force of each source. */
export async function activeInbound(
  reader: Reader,
  site: string,
): Promise<ReadonlyMap<string, string>> {
  const rows = await reader
    .selectFrom('inbound_revision')
    .select(['source', 'digest'])
    .where('site', '=', site)
    .where('active', '=', 1)
    .execute();
  return new Map(rows.map((row) => [row.source, row.digest]));
}

/** JSON text of a revision's files; undefined when the digest is unknown. */
export async function inboundContent(
  reader: Reader,
  site: string,
  digest: string,
): Promise<{ readonly source: string; readonly content: string } | undefined> {
  return await reader
    .selectFrom('inbound_revision')
    .select(['source', 'content'])
    .where('site', '=', site)
    .where('digest', '=', digest)
    .executeTakeFirst();
}
