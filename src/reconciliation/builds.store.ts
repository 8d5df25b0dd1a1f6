import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { shownRevision } from './holdings.store.js';

type OfBuild = Pick<
  DeliveryRow,
  | 'site'
  | 'destination'
  | 'receipt_id'
  | 'state'
  | 'subject_kind'
  | 'subject_id'
  | 'subject_revision'
  | 'build'
>;

/**
 * True where a message that is listed under the reference of a delivery has no business there, since a later build of the same
 * took its place. Not where the destination keeps both as one, under one number of its own; nor where a later revision
 * of the receipt's statements was shown there.
 *
 * @param number of the destination, under which it is listed
 */
export async function isReplacedThere(
  reader: Reader,
  row: OfBuild,
  number: string | null,
): Promise<boolean> {
  const later = await laterBuilds(reader, row);
  if (later.length === 0) return false;
  if (number !== null && later.some((build) => build.destination_reference === number)) {
    return false;
  }
  const { site, destination, receipt_id: receiptId, subject_kind: kind } = row;
  if (receiptId === null || (kind !== 'statement' && kind !== 'stop')) return true;
  const shown = await shownRevision(reader, { site, destination, receiptId });
  return shown <= row.subject_revision;
}

/** The build that was confirmed in the place of a delivery; null where none was. */
export async function confirmedInPlaceOf(reader: Reader, row: OfBuild): Promise<string | null> {
  const later = await laterBuilds(reader, row);
  return later.find((build) => build.state === 'confirmed')?.id ?? null;
}

async function laterBuilds(reader: Reader, row: OfBuild) {
  if (row.state !== 'superseded') return [];
  return await reader
    .selectFrom('delivery')
    .select(['id', 'state', 'destination_reference'])
    .where('site', '=', row.site)
    .where('destination', '=', row.destination)
    .where('subject_kind', '=', row.subject_kind)
    .where('subject_id', '=', row.subject_id)
    .where('subject_revision', '=', row.subject_revision)
    .where('build', '>', row.build)
    .orderBy('build')
    .execute();
}
