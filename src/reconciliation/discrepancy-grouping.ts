import type { Instant } from '../formats/instant.js';
import type { DiscrepancyClass } from '../storage/tables.js';
import { DISCREPANCY_RULES } from './discrepancies.js';

/** Classes in the order in which a person should look at them. */
export const CLASS_ORDER: readonly DiscrepancyClass[] = [
  'stop-not-effective',
  'contrary-unowned',
  'attribution-open',
  'rejected-container',
  'performance-failed',
  'destination-changed',
  'differs',
  'duplicate-at-destination',
  'unknown-at-source',
  'absent',
  'run-gap',
  'run-overlap',
  'unreadable',
  'conflict',
  'held',
  'not-measured',
  'not-expected',
  'not-sent',
  'rejected',
  'parked',
  'uncertain',
  'overdue',
];

/** What of a discrepancy says with which others it has one cause. */
export interface GroupedBy {
  readonly class: DiscrepancyClass;
  readonly destination: string | null;
  readonly fault: string | null;
  readonly instrument: string | null;
  readonly receiptId: string | null;
}

/** Discrepancies alike in all of `GroupedBy`, counted. */
export interface CountedDiscrepancies extends GroupedBy {
  readonly count: number;
  readonly late: number;
  readonly oldestAt: Instant;
}

/** One line for what has one cause: a dead destination, a receipt, an instrument. */
export interface DiscrepancyGroup {
  /** Stable while the cause is the same. */
  readonly key: string;
  readonly class: DiscrepancyClass;
  readonly title: string;
  readonly count: number;
  /** Open past their service-time target. */
  readonly late: number;
  readonly oldestAt: Instant;
  /** The filter that lists them. */
  readonly filter: Readonly<Record<string, string>>;
}

/**
 * The grouping rule: what a destination did by destination and fault, whatever it did it to; then by receipt; then
 * by instrument; what names none of them by its class alone.
 */
export function groupOf(of: GroupedBy): Pick<DiscrepancyGroup, 'key' | 'title' | 'filter'> {
  const { class: name } = of;
  const { title } = DISCREPANCY_RULES[name];
  if (of.destination !== null) {
    const fault = of.fault ?? '';
    return {
      key: JSON.stringify([name, 'destination', of.destination, fault]),
      title: `${title}: ${of.destination}${fault === '' || fault === name ? '' : ` (${fault})`}`,
      filter: { class: name, destination: of.destination, fault: fault === '' ? 'none' : fault },
    };
  }
  if (of.receiptId !== null) {
    return {
      key: JSON.stringify([name, 'receipt', of.receiptId]),
      title: `${title}: receipt ${of.receiptId}`,
      filter: { class: name, receipt: of.receiptId },
    };
  }
  if (of.instrument !== null) {
    return {
      key: JSON.stringify([name, 'instrument', of.instrument]),
      title: `${title}: instrument ${of.instrument}`,
      filter: { class: name, instrument: of.instrument },
    };
  }
  return { key: JSON.stringify([name]), title, filter: { class: name } };
}

/** Groups in the order in which a person should look at them: by class, then the largest. */
export function groupDiscrepancies(counted: readonly CountedDiscrepancies[]): DiscrepancyGroup[] {
  const groups = new Map<string, DiscrepancyGroup>();
  for (const some of counted) {
    const group = groupOf(some);
    const before = groups.get(group.key);
    groups.set(group.key, {
      ...group,
      class: some.class,
      count: (before?.count ?? 0) + some.count,
      late: (before?.late ?? 0) + some.late,
      oldestAt: Math.min(before?.oldestAt ?? some.oldestAt, some.oldestAt) as Instant,
    });
  }
  const rank = (of: DiscrepancyGroup) => CLASS_ORDER.indexOf(of.class);
  return [...groups.values()].sort(
    (a, b) => rank(a) - rank(b) || b.count - a.count || (a.key < b.key ? -1 : 1),
  );
}
