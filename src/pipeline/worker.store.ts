import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';

export async function registerWorker(trx: Trx, id: string, now: Instant): Promise<void> {
  await trx
    .insertInto('worker')
    .values({ id, started_at: now, heartbeat_at: now, stopped_at: null })
    .execute();
}

/** One beat. False when the worker was stopped or declared dead: it must not go on under this id. */
export async function beat(trx: Trx, id: string, now: Instant): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('worker')
    .set({ heartbeat_at: now })
    .where('id', '=', id)
    .where('stopped_at', 'is', null)
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}

/** Beats of a clock that has gone back since count as beats of now: who is silent from here on is found out. */
export async function pullBackBeats(
  trx: Trx,
  of: { readonly now: Instant; readonly latest: Instant },
): Promise<void> {
  await trx
    .updateTable('worker')
    .set({ heartbeat_at: of.now })
    .where('stopped_at', 'is', null)
    .where('heartbeat_at', '>', of.latest)
    .execute();
}

/** The last beat of every other worker that was not stopped. */
export async function beatsOfOthers(
  reader: Reader,
  except: string,
): Promise<readonly { readonly id: string; readonly heartbeat_at: Instant }[]> {
  return await reader
    .selectFrom('worker')
    .select(['id', 'heartbeat_at'])
    .where('stopped_at', 'is', null)
    .where('id', '<>', except)
    .execute();
}

/** Stops those of these workers that are without a beat since an instant; returns those that this call stopped. */
export async function stopSilentWorkers(
  trx: Trx,
  of: { readonly ids: readonly string[]; readonly silentSince: Instant; readonly now: Instant },
): Promise<string[]> {
  if (of.ids.length === 0) return [];
  const stopped = await trx
    .updateTable('worker')
    .set({ stopped_at: of.now })
    .where('stopped_at', 'is', null)
    .where('heartbeat_at', '<', of.silentSince)
    .where('id', 'in', of.ids)
    .returning('id')
    .execute();
  return stopped.map(({ id }) => id);
}

/** Stops every other worker, however lately it was heard of: for the process that owns the database alone. */
export async function stopOtherWorkers(trx: Trx, except: string, now: Instant): Promise<void> {
  await trx
    .updateTable('worker')
    .set({ stopped_at: now })
    .where('stopped_at', 'is', null)
    .where('id', '<>', except)
    .execute();
}

export async function retireWorker(trx: Trx, id: string, now: Instant): Promise<void> {
  await trx
    .updateTable('worker')
    .set({ stopped_at: now })
    .where('id', '=', id)
    .where('stopped_at', 'is', null)
    .execute();
}
