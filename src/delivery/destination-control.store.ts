import { sql } from 'kysely';
import type { Reader, Trx } from '../storage/database.js';
import type { DestinationRow } from '../storage/tables.js';
import { OPEN_STOP, UNDER_WAY } from './open-deliveries.store.js';
import type { Pause } from './pause.js';

/** Rows of the destinations that anything was ever sent to, or that somebody paused. */
export async function destinationRows(reader: Reader, site: string): Promise<DestinationRow[]> {
  return await reader
    .selectFrom('destination')
    .selectAll()
    .where('site', '=', site)
    .orderBy('name')
    .execute();
}

/** Work that waits at a destination. */
export interface DestinationLoad {
  readonly destination: string;
  /** Due, in doubt or being built. */
  readonly waiting: number;
  readonly inFlight: number;
  readonly parked: number;
  readonly rejected: number;
  /** Stops that are not shown in force there. */
  readonly openStops: number;
}

export async function destinationLoads(reader: Reader, site: string): Promise<DestinationLoad[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select((eb) => [
      'destination',
      eb.fn
        .countAll<number>()
        .filterWhere('state', 'in', ['due', 'building', 'uncertain'])
        .as('waiting'),
      eb.fn
        .countAll<number>()
        .filterWhere(UNDER_WAY)
        .filterWhere('state', '=', 'sending')
        .as('inFlight'),
      eb.fn.countAll<number>().filterWhere('state', '=', 'parked').as('parked'),
      eb.fn.countAll<number>().filterWhere('state', '=', 'rejected').as('rejected'),
      eb.fn.countAll<number>().filterWhere(OPEN_STOP).as('openStops'),
    ])
    .where('site', '=', site)
    .where(sql<boolean>`state not in ('accepted', 'confirmed', 'cancelled', 'superseded')`)
    .groupBy('destination')
    .execute();
  return rows.map((row) => ({
    destination: row.destination,
    waiting: Number(row.waiting),
    inFlight: Number(row.inFlight),
    parked: Number(row.parked),
    rejected: Number(row.rejected),
    openStops: Number(row.openStops),
  }));
}

export async function setPause(
  trx: Trx,
  of: { readonly site: string; readonly name: string },
  pause: Pause,
): Promise<void> {
  await trx
    .updateTable('destination')
    .set({ paused: pause.paused, pause_reason: pause.reason, pause_kept: pause.kept })
    .where('site', '=', of.site)
    .where('name', '=', of.name)
    .execute();
}
