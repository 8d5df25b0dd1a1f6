import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import type { Instant } from '../formats/instant.js';
import { markAnnouncedReceiptsDue } from '../receipts/facts.store.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { InstanceRow } from '../storage/tables.js';
import { newsOwedToOthers } from './owed-news.store.js';

/**
 * Finds or makes the row that says which life of this database is running, and keeps the folder it runs from.
 *
 * @throws Misconfigured `destination-still-owed` when the folder left out a destination that bad news is due at.
 */
export function openInstance(
  database: OpenDatabase,
  folder: LoadedSiteFolder,
  now: Instant,
): Promise<InstanceRow> {
  return database.transact(async (trx) => {
    await refuseWhatNobodyWouldDeliver(trx, folder);
    await activateSite(trx, folder, now);
    const existing = await trx.selectFrom('instance').selectAll().executeTakeFirst();
    if (existing) return existing;
    const row: InstanceRow = {
      id: uuidv7(),
      epoch: 1,
      created_at: now,
      place: null,
      tick: 0,
      recovering: null,
      recovering_since: null,
      facts_until: null,
    };
    await trx.insertInto('instance').values(row).execute();
    return row;
  });
}

async function refuseWhatNobodyWouldDeliver(trx: Trx, folder: LoadedSiteFolder): Promise<void> {
  const { site, destinations } = folder.site;
  const names = destinations.map(({ name }) => name);
  const owed = await newsOwedToOthers(trx, site, names);
  if (owed.length === 0) return;
  const found = owed.map(
    ({ destination, message, count }) =>
      `${destination}: ${count} ${message}${count === 1 ? '' : 's'}`,
  );
  throw new Misconfigured('destination-still-owed', {
    found: `${found.join(', ')}; the site folder names ${names.join(', ')}`,
  });
}

/**
 * Keeps the folder the service runs from. With other content than before every statement may have become
 * untrue (a tightened plan, a method no longer approved, another instrument in service), so all are due.
 */
async function activateSite(trx: Trx, folder: LoadedSiteFolder, now: Instant): Promise<void> {
  const { site, digest, timeZone: zone } = folder.site;
  const before = await trx
    .selectFrom('site')
    .select('digest')
    .where('site', '=', site)
    .orderBy('activated_at', 'desc')
    .limit(1)
    .executeTakeFirst();
  if (before?.digest === digest) return;
  await trx
    .insertInto('site')
    .values({ site, digest, content: JSON.stringify(folder.files), activated_at: now })
    .onConflict((c) => c.columns(['site', 'digest']).doUpdateSet({ activated_at: now }))
    .execute();
  await markAnnouncedReceiptsDue(trx, site);
  await recordAudit(trx, {
    site,
    zone,
    at: now,
    actor: { kind: 'system', name: 'start' },
    action: 'site.activated',
    subjectKind: 'site',
    subjectId: site,
    ...(before ? { before: { digest: before.digest } } : {}),
    after: { digest },
  });
}
