import type { PeriodCounts } from '../reconciliation/count-period.js';
import type { StatementOutcome } from '../records/statement-record.js';
import type { DiscrepancyClass } from '../storage/tables.js';
import type { DiscrepancyGroupView, ShortfallView, StageKey, StageView } from './day-view.js';
import { DISCREPANCY_TITLES, OUTCOME_WORDS } from './wording.js';

/** At which stage a class of discrepancy keeps something back; each class stands at exactly one. */
export const CLASSES_OF_STAGE: Readonly<Record<StageKey, readonly DiscrepancyClass[]>> = {
  expected: [],
  measured: ['not-measured', 'run-gap', 'run-overlap'],
  accepted: [
    'held',
    'unreadable',
    'conflict',
    'not-expected',
    'performance-failed',
    'contrary-unowned',
    'attribution-open',
    'rejected-container',
  ],
  delivered: ['not-sent', 'rejected', 'parked', 'uncertain', 'overdue'],
  confirmed: [
    'absent',
    'differs',
    'duplicate-at-destination',
    'unknown-at-source',
    'destination-changed',
  ],
  statements: ['stop-not-effective'],
};

export interface StageFacts {
  readonly counts: PeriodCounts;
  /** Outcome of each receipt line; null where no statement was made. */
  readonly outcomes: readonly (StatementOutcome | null)[];
  readonly groups: readonly DiscrepancyGroupView[];
}

/** The day as stages: what arrived at each, out of what, and where the rest is listed. */
export function dayStages({ counts, outcomes, groups }: StageFacts): StageView[] {
  const listed = (key: StageKey) => shortfallsOf(key, groups);
  const results = 'results';
  return [
    {
      key: 'expected',
      count: counts.expectedContainers,
      of: null,
      unit: 'containers',
      note: `on ${counts.receipts} receipt ${counts.receipts === 1 ? 'line' : 'lines'}`,
      shortfalls: listed('expected'),
    },
    {
      key: 'measured',
      count: counts.measuredContainers,
      of: counts.expectedContainers,
      unit: 'containers',
      note: null,
      shortfalls: listed('measured'),
    },
    {
      key: 'accepted',
      count: counts.acceptedResults,
      of: counts.acceptedResults + counts.heldResults,
      unit: results,
      note: bundlesNote(counts),
      shortfalls: listed('accepted'),
    },
    {
      key: 'delivered',
      count: counts.deliveredResults,
      of: counts.acceptedResults,
      unit: results,
      note: destinationsNote(counts, 'delivered'),
      shortfalls: [...listed('delivered'), ...underWay(counts, 'deliveredResults')],
    },
    {
      key: 'confirmed',
      count: counts.confirmedResults,
      of: counts.acceptedResults,
      unit: results,
      note: destinationsNote(counts, 'confirmed'),
      shortfalls: [...listed('confirmed'), ...underWay(counts, 'confirmedResults')],
    },
    {
      key: 'statements',
      count: outcomes.filter((o) => o === 'conforms').length,
      of: outcomes.length,
      unit: 'conform',
      note: null,
      shortfalls: [...outcomeShortfalls(outcomes), ...listed('statements')],
    },
  ];
}

function shortfallsOf(key: StageKey, groups: readonly DiscrepancyGroupView[]): ShortfallView[] {
  return CLASSES_OF_STAGE[key].flatMap((cls) => {
    const group = groups.find((g) => g.key === cls);
    if (!group) return [];
    const text = DISCREPANCY_TITLES[cls].toLowerCase();
    return [{ count: group.count, text, href: `#class-${cls}` }];
  });
}

/** Results that a destination still owes; the receipt lines name them. */
function underWay(
  counts: PeriodCounts,
  key: 'deliveredResults' | 'confirmedResults',
): ShortfallView[] {
  const count = counts.acceptedResults - counts[key];
  if (count <= 0 || counts.byDestination.length === 0) return [];
  const text = key === 'deliveredResults' ? 'not everywhere yet' : 'not confirmed yet';
  return [{ count, text, href: '#receipts' }];
}

function outcomeShortfalls(outcomes: readonly (StatementOutcome | null)[]): ShortfallView[] {
  const rows: readonly (readonly [StatementOutcome | null, string])[] = [
    ['does-not-conform', OUTCOME_WORDS['does-not-conform']],
    ['incomplete', OUTCOME_WORDS.incomplete],
    [null, 'without a statement'],
  ];
  return rows.flatMap(([outcome, text]) => {
    const count = outcomes.filter((o) => o === outcome).length;
    return count === 0 ? [] : [{ count, text, href: `#${outcomeAnchor(outcome)}` }];
  });
}

/** Where the receipt lines with this outcome begin on the page. */
export function outcomeAnchor(outcome: StatementOutcome | null): string {
  return `outcome-${outcome ?? 'none'}`;
}

function bundlesNote(counts: PeriodCounts): string | null {
  const parts = [
    counts.heldBundles > 0 ? `${counts.heldBundles} held` : null,
    counts.refusedBundles > 0 ? `${counts.refusedBundles} refused` : null,
  ].filter((part) => part !== null);
  return parts.length === 0 ? null : `bundles: ${parts.join(', ')}`;
}

function destinationsNote(counts: PeriodCounts, key: 'delivered' | 'confirmed'): string | null {
  if (counts.byDestination.length === 0) return 'no destination is required';
  return counts.byDestination.map((d) => `${d.destination} ${d[key]}`).join(', ');
}
