import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import type { Instant } from '../formats/instant.js';
import { importMethods } from '../methods/import-methods.store.js';
import { markAnnouncedReceiptsDue } from '../receipts/facts.store.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import { isServiceKnown, noteService } from '../statements/instrument-service.store.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import type { InstanceRow } from '../storage/tables.js';
import { beginRecovery, pauseForRecovery } from './begin-recovery.store.js';
import { lockNamedIds } from './named-ids.store.js';
import { newsOwedToOthers } from './owed-news.store.js';
import { type InstanceMark, type RememberedMark, recogniseCopy } from './recognise-copy.js';

/** In place of a site: the row is one for all of them. */
const WHOLE_DATABASE = '';

/** Where a database lives now, and what is remembered of it there. */
export interface InstancePlace {
  /** Digest of the place. */
  readonly place: string;
  readonly mark: RememberedMark | null;
  /** The database and the memory of it share a folder. */
  readonly isOneFile: boolean;
  /** The latest life that checkpoints outside are of; 0 when nothing is known of any. */
  readonly epochOutside: number;
}

/**
 * Finds or makes the row that says which life of this database is running, and keeps the folder it runs from. A
 * database that was restored or copied begins another life, with every destination paused.
 *
 * @param putMappingsInForce in the same commit, so that nobody ever finds those of one folder beside another one
 * @throws Misconfigured `destination-still-owed` when the folder left out a destination that bad news is due at,
 *   `method-version-changed` when it gives a registered version of a method another content.
 */
export function openInstance(
  database: OpenDatabase,
  folder: LoadedSiteFolder,
  where: InstancePlace,
  now: Instant,
  putMappingsInForce: (trx: Trx) => Promise<void>,
): Promise<InstanceRow> {
  return database.transact(async (trx) => {
    // Of processes that start at once on a new database each would make a row, and be outlived by the others.
    await lockNamedIds(trx, WHOLE_DATABASE, ['instance']);
    await refuseWhatNobodyWouldDeliver(trx, folder);
    // Before every receipt: who takes a document of a source locks its mapping first.
    await putMappingsInForce(trx);
    await activateSite(trx, folder, now);
    const row = await lockInstance(trx, now);
    const cause = recogniseCopy(row, where.place, where.mark, where.isOneFile);
    const marked = where.mark?.instance === row.id ? where.mark.epoch : 0;
    const known = Math.max(marked, where.epochOutside);
    const living = cause === null ? row : await beginRecovery(trx, folder, row, cause, now, known);
    if (living.recovering !== null) await pauseForRecovery(trx, folder, now);
    // Above what was remembered too, or the next start would take it for an older file once more.
    const tick = Math.max(living.tick, where.mark?.tick ?? 0) + 1;
    await trx
      .updateTable('instance')
      .set({ place: where.place, tick })
      .where('id', '=', row.id)
      .execute();
    // Last: it locks the site's evidence, which comes after every receipt.
    await importMethods(trx, folder, now);
    return { ...living, place: where.place, tick };
  });
}

async function lockInstance(trx: Trx, now: Instant): Promise<InstanceRow> {
  const find = () =>
    forUpdate(trx, trx.selectFrom('instance').selectAll(), 'instance').executeTakeFirst();
  const existing = await find();
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
}

/** Counts up while it lives; returns what the file beside the database is to remember. */
export async function tick(database: OpenDatabase): Promise<InstanceMark> {
  return await database.transact(async (trx) => {
    const row = await trx
      .updateTable('instance')
      .set((eb) => ({ tick: eb('tick', '+', 1) }))
      .returning(['id', 'epoch', 'tick'])
      .executeTakeFirstOrThrow();
    return { instance: row.id, epoch: row.epoch, tick: Number(row.tick) };
  });
}

export async function readInstance(reader: Reader): Promise<InstanceRow> {
  return await reader.selectFrom('instance').selectAll().executeTakeFirstOrThrow();
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
    .select(['digest', 'activated_at'])
    .where('site', '=', site)
    .orderBy('activated_at', 'desc')
    .limit(1)
    .executeTakeFirst();
  const { instruments } = folder.site;
  if (before?.digest === digest) {
    // Of a database from before it was noted, this is what is known.
    if (!(await isServiceKnown(trx, site))) await noteService(trx, site, instruments, now);
    return;
  }
  // The latest is in force, also when the clock was set back since the one before.
  const at = Math.max(now, (before?.activated_at ?? 0) + 1) as Instant;
  await trx
    .insertInto('site')
    .values({ site, digest, content: JSON.stringify(folder.files), activated_at: at })
    .onConflict((c) => c.columns(['site', 'digest']).doUpdateSet({ activated_at: at }))
    .execute();
  await noteService(trx, site, instruments, at);
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
