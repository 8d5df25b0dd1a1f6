import { addMs, type Instant } from '../formats/instant.js';
import type { DestinationTiming } from '../site/site-folder.js';
import type { AttemptRow } from '../storage/tables.js';

/** What is known of a delivery that nobody works on any more, from its own attempts. */
export type Standing =
  /** No byte of it was ever stored there: it was never sent, never reached, or refused before it was read. */
  | 'never-there'
  /** The destination refused it, and no earlier send is in doubt. */
  | 'refused'
  /** Read-backs showed it absent after the last send that may have arrived. */
  | 'absent'
  /** It may be there. */
  | 'doubtful'
  /** A read-back showed something under its reference. */
  | 'shown';

type Attempt = Pick<AttemptRow, 'kind' | 'outcome' | 'started_at'>;

/** Ends of a send after which the destination holds nothing of it that it did not hold before. */
const NOT_STORED: ReadonlySet<string> = new Set([
  'unavailable',
  'postponed',
  'credentials',
  'withheld',
]);
const SHOWING: ReadonlySet<string> = new Set([
  'one',
  'overtaken',
  'several',
  'received-not-applied',
  'differs',
]);

/**
 * Judges the attempts of one delivery, in the order they started. An absence counts as the read-back counts it:
 * so many times in a row, and only past the deadline of the last send that may have arrived and the settling time.
 *
 * A key that is taken by other content is a doubt until an absence was shown once: then it is a refusal.
 *
 * @param doubtfulSince it may have been sent by another life of this database until then; null when not
 */
export function standingOf(
  attempts: readonly Attempt[],
  timing: Pick<DestinationTiming, 'deadlineMs' | 'settleMs' | 'absentAsks'>,
  doubtfulSince: Instant | null,
): Standing {
  let standing: Standing = doubtfulSince === null ? 'never-there' : 'doubtful';
  let arrivedBy: Instant | null = doubtfulSince;
  let absences = 0;
  let wasAbsent = false;
  for (const { kind, outcome, started_at: at } of attempts) {
    if (kind === 'send') {
      absences = 0;
      if (outcome !== null && NOT_STORED.has(outcome)) continue;
      if (outcome === 'rejected' || (outcome === 'key-conflict' && wasAbsent)) {
        if (standing !== 'doubtful' && standing !== 'shown') standing = 'refused';
        continue;
      }
      standing = 'doubtful';
      arrivedBy = at;
    } else if (outcome !== null && SHOWING.has(outcome)) {
      standing = 'shown';
      absences = 0;
    } else if (outcome !== 'absent') {
      absences = 0;
    } else if (arrivedBy === null || at >= addMs(arrivedBy, timing.deadlineMs + timing.settleMs)) {
      absences += 1;
      if (absences < timing.absentAsks) continue;
      wasAbsent = true;
      if (standing === 'doubtful' || standing === 'shown') standing = 'absent';
    }
  }
  return standing;
}
