import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import type {
  DeliveryRow,
  DestinationHoldingRow,
  DiscrepancyRow,
  SweepRow,
} from '../storage/tables.js';
import { secondIdentity } from './holding-content.js';

/**
 * Keeps what a destination showed and no delivery accounts for. Seen again, all of it is as it was shown last; what says
 * something else than before is nothing that was accounted for, since a signature covers what its signer was shown.
 *
 * @param contentOf digest of what a message says, see `contentOf`
 */
export async function keepHoldings(
  trx: Trx,
  holdings: readonly DestinationHoldingRow[],
  contentOf: (row: DestinationHoldingRow) => string,
): Promise<void> {
  // In one order, as whoever acknowledges them locks them.
  const inOrder = [...holdings].sort((a, b) => (a.identity < b.identity ? -1 : 1));
  for (const listed of inOrder) {
    const { row, before } = await underItsName(trx, listed, contentOf);
    if (before === undefined) {
      await trx.insertInto('destination_holding').values(row).execute();
      continue;
    }
    const {
      site,
      destination,
      identity,
      first_sweep: _first,
      settled_at: _settled,
      ...shown
    } = row;
    const isAccountedFor =
      contentOf(before) === contentOf(row) || (await isRecognised(trx, before, row));
    await trx
      .updateTable('destination_holding')
      .set({ ...shown, settled_at: isAccountedFor ? before.settled_at : null })
      .where('site', '=', site)
      .where('destination', '=', destination)
      .where('identity', '=', identity)
      .execute();
  }
}

/**
 * A destination may number each kind of message by itself: a stop must not be overwritten by the result that has its number.
 * The second one that a sweep lists under a name gets a name of its own, and keeps it.
 */
async function underItsName(
  trx: Trx,
  row: DestinationHoldingRow,
  contentOf: (row: DestinationHoldingRow) => string,
): Promise<{
  readonly row: DestinationHoldingRow;
  /** What is kept under that name, locked. */
  readonly before: DestinationHoldingRow | undefined;
}> {
  const content = contentOf(row);
  const second = { ...row, identity: secondIdentity(row.identity, content) };
  const again = await lockHolding(trx, second);
  if (again !== undefined) return { row: second, before: again };
  const before = await lockHolding(trx, row);
  const isTaken = before?.last_sweep === row.last_sweep && contentOf(before) !== content;
  return isTaken ? { row: second, before: undefined } : { row, before };
}

async function lockHolding(
  trx: Trx,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'identity'>,
): Promise<DestinationHoldingRow | undefined> {
  const query = trx
    .selectFrom('destination_holding')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('identity', '=', of.identity);
  return await forUpdate(trx, query, 'destination_holding').executeTakeFirst();
}

/** A delivery was recognised in it, and it is about the same still: what differs is that delivery's finding. */
async function isRecognised(
  reader: Reader,
  before: DestinationHoldingRow,
  row: DestinationHoldingRow,
): Promise<boolean> {
  const isOfTheSame =
    before.message === row.message &&
    before.subject === row.subject &&
    before.receipt_id === row.receipt_id &&
    before.revision === row.revision;
  if (before.settled_at === null || !isOfTheSame) return false;
  if (row.message === null || row.revision === null) return false;
  const delivery = await reader
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', row.site)
    .where('destination', '=', row.destination)
    .where('destination_reference', '=', row.identity)
    .where('subject_kind', '=', row.message)
    .where('subject_revision', '=', row.revision)
    .where('state', '=', 'confirmed')
    .limit(1)
    .executeTakeFirst();
  return delivery !== undefined;
}

/** Messages that nothing accounts for, of one sweep, in the order of their identities. */
export async function unsettledHoldings(
  reader: Reader,
  of: { readonly site: string; readonly destination: string; readonly sweepId: string },
  after: string,
  limit: number,
): Promise<DestinationHoldingRow[]> {
  return await reader
    .selectFrom('destination_holding')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('last_sweep', '=', of.sweepId)
    .where('settled_at', 'is', null)
    .where('identity', '>', after)
    .orderBy('identity')
    .limit(limit)
    .execute();
}

/** Messages of a listed period that an earlier sweep saw and this one did not. */
export async function vanishedHoldings(
  reader: Reader,
  of: {
    readonly site: string;
    readonly destination: string;
    readonly sweepId: string;
    readonly from: Instant;
    readonly to: Instant;
  },
): Promise<DestinationHoldingRow[]> {
  return await reader
    .selectFrom('destination_holding')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('last_sweep', '<>', of.sweepId)
    .where('settled_at', 'is', null)
    .where('held_at', '>=', of.from)
    .where('held_at', '<', of.to)
    .orderBy('identity')
    .execute();
}

/** Notes that a question found what the list of a sweep did not show. */
export async function noteListed(
  trx: Trx,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'identity'>,
  sweepId: string,
): Promise<void> {
  await changeUnsettled(trx, of, { last_sweep: sweepId });
}

/**
 * What a destination holds about one subject and revision that nothing accounts for, and what may be that: a message about the
 * subject that does not show what it is, or its revision.
 */
export async function holdingsOf(
  reader: Reader,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'message' | 'subject' | 'revision'>,
): Promise<DestinationHoldingRow[]> {
  if (of.subject === null || of.message === null) return [];
  return await reader
    .selectFrom('destination_holding')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('subject', '=', of.subject)
    .where((eb) => eb.or([eb('message', '=', of.message), eb('message', 'is', null)]))
    .where((eb) => eb.or([eb('revision', '=', of.revision), eb('revision', 'is', null)]))
    .where('settled_at', 'is', null)
    .orderBy('identity')
    .execute();
}

/** Stops of a receipt that destinations hold and nothing accounts for, at most a hundred. */
export async function stopsHeldOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<DestinationHoldingRow[]> {
  return await stopsHeld(reader, site, receiptId).execute();
}

/** As `stopsHeldOf`; no sweep changes what they show until the transaction ends. */
export async function lockStopsHeldOf(trx: Trx, site: string, receiptId: string): Promise<void> {
  const query = stopsHeld(trx, site, receiptId);
  await forUpdate(trx, query, 'destination_holding').execute();
}

function stopsHeld(reader: Reader, site: string, receiptId: string) {
  return reader
    .selectFrom('destination_holding')
    .selectAll()
    .where('site', '=', site)
    .where('message', '=', 'stop')
    .where('receipt_id', '=', receiptId)
    .where('settled_at', 'is', null)
    .orderBy('destination')
    .orderBy('identity')
    .limit(STOPS_MAX);
}

const STOPS_MAX = 100;

/** The message in which a delivery was recognised, if this sweep listed it; see `Adoption`. */
export async function recognisedHolding(
  reader: Reader,
  sweep: Pick<SweepRow, 'id' | 'site' | 'destination'>,
  delivery: Pick<DeliveryRow, 'destination_reference' | 'subject_kind' | 'subject_revision'>,
): Promise<DestinationHoldingRow | undefined> {
  const { destination_reference: identity } = delivery;
  if (identity === null) return undefined;
  return await reader
    .selectFrom('destination_holding')
    .selectAll()
    .where('site', '=', sweep.site)
    .where('destination', '=', sweep.destination)
    .where('identity', '=', identity)
    .where('last_sweep', '=', sweep.id)
    .where('message', '=', delivery.subject_kind)
    .where('revision', '=', delivery.subject_revision)
    .where('settled_at', 'is not', null)
    .executeTakeFirst();
}

export async function settleHolding(
  trx: Trx,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'identity'>,
  now: Instant,
): Promise<void> {
  await changeUnsettled(trx, of, { settled_at: now });
}

async function changeUnsettled(
  trx: Trx,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'identity'>,
  change: Partial<Pick<DestinationHoldingRow, 'last_sweep' | 'settled_at'>>,
): Promise<void> {
  await trx
    .updateTable('destination_holding')
    .set(change)
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('identity', '=', of.identity)
    .where('settled_at', 'is', null)
    .execute();
}

/** True while nothing accounts for a message: nobody acknowledged it, and no delivery was recognised in it. */
export async function isUnsettled(
  reader: Reader,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'identity'>,
): Promise<boolean> {
  const row = await reader
    .selectFrom('destination_holding')
    .select('identity')
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('identity', '=', of.identity)
    .where('settled_at', 'is', null)
    .executeTakeFirst();
  return row !== undefined;
}

/** Forgets what is no longer listed: listed again, it is found anew. */
export async function forgetHolding(
  trx: Trx,
  of: Pick<DestinationHoldingRow, 'site' | 'destination' | 'identity'>,
): Promise<void> {
  await trx
    .deleteFrom('destination_holding')
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('identity', '=', of.identity)
    .where('settled_at', 'is', null)
    .execute();
}

/** Highest revision of a receipt's statements and stops that this destination was shown to have of us. */
export async function shownRevision(
  reader: Reader,
  of: { readonly site: string; readonly destination: string; readonly receiptId: string },
): Promise<number> {
  const row = await reader
    .selectFrom('delivery')
    .select((eb) => eb.fn.max('subject_revision').as('revision'))
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('receipt_id', '=', of.receiptId)
    .where('subject_kind', 'in', ['statement', 'stop'])
    .where('state', '=', 'confirmed')
    .executeTakeFirst();
  return row?.revision ?? 0;
}

/** Open discrepancies that sweeps of a destination opened, by what their subjects begin with. */
export async function openOfSweeps(
  reader: Reader,
  of: { readonly site: string; readonly destination: string; readonly prefix: string },
): Promise<DiscrepancyRow[]> {
  const { prefix } = of;
  return await reader
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('closed_at', 'is', null)
    .where('subject', '>=', prefix)
    .where('subject', '<', `${prefix}\uffff`)
    .orderBy('subject')
    .execute();
}
