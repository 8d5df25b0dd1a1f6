import type { InstanceRow, RecoveryCause } from '../storage/tables.js';

/** What a file beside the database remembers of it; a later state of the same life than a copy can hold. */
export interface InstanceMark {
  readonly instance: string;
  readonly epoch: number;
  readonly tick: number;
}

/** What such a file says when it is read. */
export interface RememberedMark extends InstanceMark {
  /** The file is another than the one that this was written into: it came with a copy. */
  readonly isCopied: boolean;
}

/**
 * Whether this database is another one than ran here last: put back from a backup, copied from elsewhere, or an
 * older file laid over a newer one. Null when it goes on where it stopped.
 *
 * @param place where it lives now
 * @param mark what the file beside it says, null when there is none
 * @param isOneFile the database and that file share a folder
 */
export function recogniseCopy(
  row: Pick<InstanceRow, 'id' | 'epoch' | 'tick' | 'place' | 'recovering'>,
  place: string,
  mark: RememberedMark | null,
  isOneFile: boolean,
): RecoveryCause | null {
  // `drumline restore` leaves it so: it has not lived anywhere since.
  if (row.place === null) return row.recovering;
  if (row.place !== place) return 'copied';
  if (mark === null) return null;
  if (mark.instance !== row.id) return isOneFile ? 'copied' : null;
  const isLater = mark.epoch > row.epoch || (mark.epoch === row.epoch && mark.tick > row.tick);
  if (isLater) return 'older-file';
  // The whole folder was put back over itself: nothing in it is later, and the database is in the file that it always was in.
  return isOneFile && mark.isCopied ? 'copied' : null;
}
