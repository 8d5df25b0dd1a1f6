import { OPEN_STOP } from '../delivery/open-deliveries.store.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { SweepRow } from '../storage/tables.js';

/**
 * Sweeps that a recovery rests on, in the order in which they ended: those that compare until it began. An earlier end leaves
 * out what the life before sent last.
 */
export async function recoverySweeps(
  reader: Reader,
  site: string,
  since: Instant,
): Promise<Pick<SweepRow, 'destination' | 'state' | 'detail' | 'finished_at'>[]> {
  return await reader
    .selectFrom('sweep')
    .select(['destination', 'state', 'detail', 'finished_at'])
    .where('site', '=', site)
    .where('cause', '=', 'recovery')
    .where('to_at', '>=', since)
    .orderBy('finished_at')
    .execute();
}

/** Those of these instruments whose last sync lies before an instant, or that never synced. */
export async function unheardInstruments(
  reader: Reader,
  site: string,
  serials: readonly string[],
  since: Instant,
): Promise<string[]> {
  const rows = await reader
    .selectFrom('instrument_state')
    .select('serial')
    .where('site', '=', site)
    .where('heard_at', '>=', since)
    .execute();
  const heard = new Set(rows.map((row) => row.serial));
  return serials.filter((serial) => !heard.has(serial));
}

/** Stops that no destination has shown in force. */
export async function openStopCount(reader: Reader, site: string): Promise<number> {
  const row = await reader
    .selectFrom('delivery')
    .select((eb) => eb.fn.countAll<number>().as('n'))
    .where('site', '=', site)
    .where(OPEN_STOP)
    .executeTakeFirstOrThrow();
  return Number(row.n);
}

/** The recovery is over; its epoch and what it knows of the life before stay. */
export async function endRecovery(trx: Trx): Promise<void> {
  await trx.updateTable('instance').set({ recovering: null }).execute();
}
