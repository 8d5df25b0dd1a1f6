import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { importMethods } from '../methods/import-methods.store.js';
import { markAnnouncedReceiptsDue } from '../receipts/facts.store.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import { isServiceKnown, noteService } from '../statements/instrument-service.store.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import type { InstanceRow, RecoveryCause } from '../storage/tables.js';
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
    await lockStart(trx);
    return await startIn(trx, folder, where, now, putMappingsInForce);
  });
}

/** The life that a command acts in. */
export interface EnteredInstance {
  readonly row: InstanceRow;
  /** Nothing was ever started on this database: the command is its first start, with all that belongs to one. */
  readonly isStart: boolean;
}

/**
 * For a command, which acts in the life that runs and by the folder in force, and changes neither: it may be given any
 * folder, and every process that runs by another one would stop. A database that nothing was ever started on is begun.
 *
 * @param putMappingsInForce of the first start
 * @throws Misconfigured `site-folder-outdated` when another folder is in force, `life-not-begun` when the database was
 *   restored, copied or put back since a process was last started on it; those of `openInstance` at a first start.
 */
export function enterInstance(
  database: OpenDatabase,
  folder: LoadedSiteFolder,
  where: InstancePlace,
  now: Instant,
  putMappingsInForce: (trx: Trx) => Promise<void>,
): Promise<EnteredInstance> {
  return database.transact(async (trx) => {
    const find = () => trx.selectFrom('instance').selectAll().executeTakeFirst();
    let row = await find();
    if (row === undefined) {
      await lockStart(trx);
      // A process may have been started since, with the folder that is meant.
      row = await find();
    }
    if (row === undefined) {
      const started = await startIn(trx, folder, where, now, putMappingsInForce);
      return { row: started, isStart: true };
    }
    refuseLifeToBegin(row, where);
    await refuseOtherFolder(trx, folder);
    if (!where.isOneFile) return { row, isStart: false };
    // Nobody else counts meanwhile, and what it writes must not pass for what a copy of before holds.
    const tick = row.tick + 1;
    await trx.updateTable('instance').set({ tick }).where('id', '=', row.id).execute();
    return { row: { ...row, tick }, isStart: false };
  });
}

/** Of processes that start at once on a new database each would make a row, and be outlived by the others. */
function lockStart(trx: Trx): Promise<void> {
  return lockNamedIds(trx, WHOLE_DATABASE, ['instance']);
}

async function startIn(
  trx: Trx,
  folder: LoadedSiteFolder,
  where: InstancePlace,
  now: Instant,
  putMappingsInForce: (trx: Trx) => Promise<void>,
): Promise<InstanceRow> {
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
  // Once more behind that: who put bad news into the outbox by the folder of before had shared it, and is seen now.
  await refuseWhatNobodyWouldDeliver(trx, folder);
  return { ...living, place: where.place, tick };
}

function refuseLifeToBegin(row: InstanceRow, { place, mark, isOneFile }: InstancePlace): void {
  const cause = recogniseCopy(row, place, mark, isOneFile);
  if (cause === null) return;
  const found =
    cause === 'older-file' && !isOneFile && mark !== null
      ? `instance.json of the data folder remembers epoch ${mark.epoch} up to ${mark.tick}, the database has epoch ${row.epoch} up to ${row.tick}; a data folder that is used with another database too remembers that one`
      : REASON[cause];
  throw new Misconfigured('life-not-begun', { found });
}

const REASON: Readonly<Record<RecoveryCause, string>> = {
  restored: 'it was restored from a backup',
  copied: 'it last ran somewhere else, or its data folder was put back',
  'older-file': 'it is older than instance.json of its data folder remembers',
};

async function refuseOtherFolder(trx: Trx, folder: LoadedSiteFolder): Promise<void> {
  const { site, digest } = folder.site;
  const inForce = await lastActivated(trx, site);
  if (inForce?.digest === digest) return;
  const which =
    inForce === undefined
      ? `no folder of the site ${site} ever was`
      : `that of the site ${site} with the digest ${inForce.digest} is, since ${formatInstant(inForce.activated_at)}`;
  throw new Misconfigured('site-folder-outdated', {
    found: `the folder that the command was given has the digest ${digest} and is not in force: ${which} (--site-folder, or DRUMLINE_SITE_FOLDER, names the folder of a command)`,
  });
}

function lastActivated(trx: Trx, site: string) {
  return trx
    .selectFrom('site')
    .select(['digest', 'activated_at'])
    .where('site', '=', site)
    .orderBy('activated_at', 'desc')
    .limit(1)
    .executeTakeFirst();
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
  const before = await lastActivated(trx, site);
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
