import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';

/** What went to a destination about the same thing as one delivery. */
export interface OfTheSame {
  /** Highest revision that got there or may have. */
  readonly highestSent: number;
  /** A later message was shown there. */
  readonly isLaterShown: boolean;
  /** A later message is on its way, or nobody knows whether it arrived. */
  readonly isLaterUnderway: boolean;
}

/**
 * Messages about the same thing at the same destination: statements and stops of one receipt count by one row of revisions;
 * anything else by its ordering key, which a result and its withdrawal share under one revision.
 */
export async function whatWentThere(reader: Reader, row: DeliveryRow): Promise<OfTheSame> {
  const isOfReceipt = row.subject_kind === 'statement' || row.subject_kind === 'stop';
  const ofDestination = reader
    .selectFrom('delivery')
    .select(['subject_kind', 'subject_id', 'subject_revision', 'seq'])
    .select(['state', 'attempts', 'ask_since'])
    .where('site', '=', row.site)
    .where('destination', '=', row.destination);
  const rows = await (isOfReceipt
    ? ofDestination
        .where('receipt_id', '=', row.receipt_id)
        .where('subject_kind', 'in', ['statement', 'stop'])
    : ofDestination.where('ordering_key', '=', row.ordering_key)
  ).execute();
  // Another build of the same message is no later one.
  const later = rows.filter((d) =>
    isOfReceipt
      ? d.subject_revision > row.subject_revision
      : d.seq > row.seq &&
        (d.subject_kind !== row.subject_kind ||
          d.subject_id !== row.subject_id ||
          d.subject_revision !== row.subject_revision),
  );
  const sent = rows.filter(mayHaveLeft).map((d) => d.subject_revision);
  return {
    highestSent: Math.max(row.subject_revision, ...sent),
    isLaterShown: later.some((d) => d.state === 'confirmed'),
    isLaterUnderway: later.some((d) => UNDERWAY.has(d.state) && mayHaveLeft(d)),
  };
}

const UNDERWAY: ReadonlySet<string> = new Set(['sending', 'accepted', 'uncertain']);

function mayHaveLeft(d: Pick<DeliveryRow, 'state' | 'attempts' | 'ask_since'>): boolean {
  return d.attempts > 0 || d.state === 'confirmed' || d.ask_since !== null;
}
