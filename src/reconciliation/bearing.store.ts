import { whatWentThere } from '../delivery/of-the-same.store.js';
import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import type { Bearing } from './sweep-rules.js';

/** What bears on what a destination shows of a delivery; nothing is read where it shows one equal message, or nothing. */
export async function bearingOn(
  reader: Reader,
  row: DeliveryRow,
  answer: ReadBackAnswer | null,
): Promise<Bearing> {
  if (answer === null || answer.kind === 'one') return NOTHING;
  const isLifted = row.subject_kind === 'stop' && (await isLiftedStop(reader, row.subject_id));
  return { ...(await whatWentThere(reader, row)), isLifted };
}

const NOTHING: Bearing = {
  highestSent: 0,
  isLaterShown: false,
  isLaterUnderway: false,
  isLifted: false,
};

async function isLiftedStop(reader: Reader, stopId: string): Promise<boolean> {
  const stop = await reader
    .selectFrom('stop')
    .select('lifted_at')
    .where('id', '=', stopId)
    .executeTakeFirst();
  return stop !== undefined && stop.lifted_at !== null;
}
