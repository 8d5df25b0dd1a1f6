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

/** What of a delivery says how it stands to another about the same thing. */
export type Standing = Pick<
  DeliveryRow,
  'subject_kind' | 'subject_id' | 'subject_revision' | 'seq' | 'state' | 'attempts' | 'ask_since'
>;

/** Statements and stops of one receipt count by one row of revisions. */
export function countsByReceipt(of: Pick<DeliveryRow, 'subject_kind'>): boolean {
  return of.subject_kind === 'statement' || of.subject_kind === 'stop';
}

/**
 * What bears on a delivery of all that went to its destination about the same thing. Anything but statements and stops counts
 * by its ordering key, which a result and its withdrawal share under one revision; another build is no later message.
 */
export function ofTheSame(row: Standing, all: readonly Standing[]): OfTheSame {
  const isLater = (d: Standing) =>
    countsByReceipt(row)
      ? d.subject_revision > row.subject_revision
      : d.seq > row.seq && !isAnotherBuild(row, d);
  const later = all.filter(isLater);
  const sent = all.filter(mayHaveLeft).map((d) => d.subject_revision);
  return {
    highestSent: Math.max(row.subject_revision, ...sent),
    isLaterShown: later.some((d) => d.state === 'confirmed'),
    isLaterUnderway: later.some((d) => UNDERWAY.has(d.state) && mayHaveLeft(d)),
  };
}

const UNDERWAY: ReadonlySet<string> = new Set(['sending', 'accepted', 'uncertain']);

function isAnotherBuild(one: Standing, other: Standing): boolean {
  return (
    one.subject_kind === other.subject_kind &&
    one.subject_id === other.subject_id &&
    one.subject_revision === other.subject_revision
  );
}

function mayHaveLeft(d: Standing): boolean {
  return d.attempts > 0 || d.state === 'confirmed' || d.ask_since !== null;
}
