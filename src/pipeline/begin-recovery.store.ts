import { recordAudit } from '../audit/audit.store.js';
import { trailHead } from '../audit/sealing.store.js';
import { lockDestination } from '../delivery/destination.store.js';
import { setPause } from '../delivery/destination-control.store.js';
import { pausedByRestore, pauseOf } from '../delivery/pause.js';
import { doubtUnsent } from '../delivery/recovery-doubt.store.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { MappingSource } from '../site/mapping-source.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { InstanceRow, RecoveryCause } from '../storage/tables.js';

/**
 * Begins another life of a database that was restored or copied (rule 28), before anything works: a new epoch,
 * every destination paused, and all that a life before may have sent in doubt.
 */
export async function beginRecovery(
  trx: Trx,
  folder: LoadedSiteFolder,
  row: InstanceRow,
  cause: RecoveryCause,
  now: Instant,
  /** Of a life after this state that is remembered here or outside; its number is not given again. */
  epochKnown: number,
): Promise<InstanceRow> {
  const { site, timeZone: zone, destinations } = folder.site;
  const factsUntil = await lastKnown(trx, site, row);
  // What is sealed by now is of the life before; the sealer of this one has not begun.
  const sealed = Number((await trailHead(trx, site))?.size ?? 0);
  let doubted = 0;
  for (const destination of destinations) {
    const { name } = destination;
    const canBeAsked = mayAsk(destination, folder.mappingSources.get(name));
    const honoursKey = destination.honoursKey || destination.endpoint.kind === 'file-drop';
    const telling = { site, destination: name, canBeAsked, honoursKey };
    doubted += await doubtUnsent(trx, telling, now);
  }
  const after: InstanceRow = {
    ...row,
    epoch: Math.max(row.epoch, epochKnown) + 1,
    recovering: cause,
    recovering_since: now,
    facts_until: factsUntil,
  };
  const { epoch, recovering, recovering_since, facts_until } = after;
  await trx
    .updateTable('instance')
    .set({ epoch, recovering, recovering_since, facts_until })
    .where('id', '=', row.id)
    .execute();
  await recordAudit(trx, {
    site,
    zone,
    at: now,
    actor: { kind: 'system', name: 'start' },
    action: 'instance.recovering',
    subjectKind: 'instance',
    subjectId: row.id,
    reason: REASONS[cause],
    before: { epoch: row.epoch },
    after: { epoch, cause, sealed, factsUntil: formatInstant(factsUntil), doubted },
  });
  return after;
}

const REASONS: Readonly<Record<RecoveryCause, string>> = {
  restored: 'the database was restored from a backup',
  copied: 'the database is a copy: it last ran somewhere else',
  'older-file': 'the file is older than what ran here last',
};

/** Pauses every destination of the folder, those too that it names for the first time. */
export async function pauseForRecovery(
  trx: Trx,
  folder: LoadedSiteFolder,
  now: Instant,
): Promise<void> {
  const { site, destinations } = folder.site;
  for (const { name, timing } of destinations) {
    const row = await lockDestination(trx, site, name, timing.ratePerSecond, now);
    await setPause(trx, { site, name }, pausedByRestore(pauseOf(row)));
  }
}

/** The youngest fact this database holds, as far as its trail says. */
async function lastKnown(trx: Trx, site: string, row: InstanceRow): Promise<Instant> {
  const last = await trx
    .selectFrom('audit_entry')
    .select((eb) => eb.fn.max('at').as('at'))
    .where('site', '=', site)
    .where('action', '<>', 'instance.restored')
    .executeTakeFirst();
  return last?.at ?? row.created_at;
}

function mayAsk(destination: Destination, source: MappingSource | undefined): boolean {
  if (destination.endpoint.kind === 'file-drop') return true;
  const messages = Object.values(source?.document.messages ?? {});
  return messages.length > 0 && messages.every((message) => message.readBack !== null);
}
