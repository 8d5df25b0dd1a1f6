import { formatInstant, type Instant } from '../formats/instant.js';
import type { Period } from './site-day.js';

export type PeriodFault =
  | 'period-empty'
  | 'period-unfinished'
  | 'period-future'
  | 'period-overlaps';

/** A rule that a period breaks, named, with what was found. */
export interface PeriodRefusal {
  readonly rule: PeriodFault;
  readonly message: string;
}

/**
 * Which periods may be closed: those that are over and share no time with one that is closed. Results of a period
 * that come after it was closed go into its addendum, so nothing has to be waited for.
 *
 * @param closed closed periods that share time with it
 */
export function judgePeriod(
  { from, to }: Period,
  closed: readonly Period[],
  now: Instant,
): PeriodRefusal | null {
  const text = `${formatInstant(from)} to ${formatInstant(to)}`;
  if (to <= from) return { rule: 'period-empty', message: `${text} holds no time` };
  if (from > now) return { rule: 'period-future', message: `${text} has not begun` };
  if (to > now) return { rule: 'period-unfinished', message: `${text} is not over` };
  const [other] = closed.filter((p) => p.from < to && p.to > from);
  return other
    ? {
        rule: 'period-overlaps',
        message: `${text} shares time with the period closed from ${formatInstant(other.from)} to ${formatInstant(other.to)}`,
      }
    : null;
}
