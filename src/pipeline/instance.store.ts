import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import type { OpenDatabase } from '../storage/database.js';
import type { InstanceRow } from '../storage/tables.js';

/** Finds or makes the row that says which life of this database is running, and keeps the folder it runs from. */
export function openInstance(
  database: OpenDatabase,
  folder: LoadedSiteFolder,
  now: Instant,
): Promise<InstanceRow> {
  return database.transact(async (trx) => {
    await trx
      .insertInto('site')
      .values({
        site: folder.site.site,
        digest: folder.site.digest,
        content: JSON.stringify(folder.files),
        activated_at: now,
      })
      .onConflict((c) => c.doNothing())
      .execute();
    const existing = await trx.selectFrom('instance').selectAll().executeTakeFirst();
    if (existing) return existing;
    const row: InstanceRow = { id: uuidv7(), epoch: 1, created_at: now };
    await trx.insertInto('instance').values(row).execute();
    return row;
  });
}
