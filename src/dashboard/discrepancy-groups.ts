import type { Instant } from '../formats/instant.js';
import type { Discrepancy } from '../reconciliation/compare.js';
import { DISCREPANCY_RULES } from '../reconciliation/discrepancies.js';
import type { DiscrepancyClass } from '../storage/tables.js';
import type { DiscrepancyGroupView, DiscrepancyView } from './day-view.js';
import { ageText, moment } from './local-time.js';
import { DISCREPANCY_TITLES } from './wording.js';

/** Classes in the order in which a person should look at them. */
export const CLASS_ORDER: readonly DiscrepancyClass[] = [
  'stop-not-effective',
  'destination-changed',
  'contrary-unowned',
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
  'rejected',
  'parked',
  'uncertain',
  'overdue',
];

/** Listed of one class; the heading counts all of them. */
export const ITEMS_SHOWN_MAX = 200;

/** Open discrepancies by class, what needs a person most first. */
export function groupDiscrepancies(
  discrepancies: readonly Discrepancy[],
  timeZone: string,
  now: Instant,
): DiscrepancyGroupView[] {
  return CLASS_ORDER.flatMap((key): DiscrepancyGroupView[] => {
    const all = discrepancies.filter((d) => d.class === key);
    if (all.length === 0) return [];
    const rule = DISCREPANCY_RULES[key];
    return [
      {
        key,
        title: DISCREPANCY_TITLES[key],
        remedy: `${rule.title}. Closed by ${rule.closedBy}.`,
        count: all.length,
        items: all.slice(0, ITEMS_SHOWN_MAX).map((d) => itemView(d, timeZone, now)),
      },
    ];
  });
}

function itemView(discrepancy: Discrepancy, timeZone: string, now: Instant): DiscrepancyView {
  const { openedAt } = discrepancy;
  return {
    subject: discrepancy.subject,
    receiptId: discrepancy.receiptId,
    container: discrepancy.containerLabel,
    destination: discrepancy.destination,
    detail: discrepancy.detail,
    openedAt: openedAt === null ? null : moment(openedAt, timeZone),
    age: openedAt === null ? null : ageText(openedAt, now),
  };
}
