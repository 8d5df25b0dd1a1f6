import type { Instant } from '../formats/instant.js';
import { DISCREPANCY_RULES } from '../reconciliation/discrepancies.js';
import {
  CLASS_ORDER,
  type DiscrepancyGroup,
  groupOf,
} from '../reconciliation/discrepancy-grouping.js';
import type { ListedDiscrepancy } from '../reconciliation/listed-discrepancy.js';
import type { DiscrepancyGroupView, DiscrepancyLineView, DiscrepancyView } from './day-view.js';
import { discrepancyListPath, discrepancyPath } from './discrepancy-path.js';
import { ageText, moment } from './local-time.js';
import { DISCREPANCY_TITLES, ownerWords } from './wording.js';

/** A group of up to this many is shown by its members, a larger one as one line with its count. */
export const SHOWN_SINGLY_MAX = 3;
/** Lines of one class; the heading counts all of it. */
export const LINES_SHOWN_MAX = 50;

export interface ShownDiscrepancies {
  readonly groups: readonly DiscrepancyGroup[];
  /** Members that were read; what is missing is shown as its group. */
  readonly discrepancies: readonly ListedDiscrepancy[];
  /** Day that is looked at, where that is not now. */
  readonly day?: string;
}

/** Open discrepancies by class, what needs a person most first; what has one cause is one line. */
export function discrepanciesByClass(
  { groups, discrepancies, day }: ShownDiscrepancies,
  timeZone: string,
  now: Instant,
): DiscrepancyGroupView[] {
  const members = new Map<string, ListedDiscrepancy[]>();
  for (const d of discrepancies) {
    const { key } = groupOf(d);
    const others = members.get(key);
    if (others) others.push(d);
    else members.set(key, [d]);
  }
  return CLASS_ORDER.flatMap((key): DiscrepancyGroupView[] => {
    const all = groups.filter((g) => g.class === key);
    if (all.length === 0) return [];
    const rule = DISCREPANCY_RULES[key];
    const lines = all.slice(0, LINES_SHOWN_MAX).map((group): DiscrepancyLineView => {
      const read = members.get(group.key) ?? [];
      const isShownSingly = group.count <= SHOWN_SINGLY_MAX && read.length === group.count;
      return {
        title: group.title,
        count: group.count,
        late: group.late,
        age: ageText(group.oldestAt, now),
        href: discrepancyListPath({ ...group.filter, ...(day === undefined ? {} : { day }) }),
        items: isShownSingly ? read.map((d) => discrepancyView(d, timeZone, now)) : [],
      };
    });
    return [
      {
        key,
        title: DISCREPANCY_TITLES[key],
        remedy: `${rule.title}. Closed by ${rule.closedBy}.`,
        count: all.reduce((n, g) => n + g.count, 0),
        late: all.reduce((n, g) => n + g.late, 0),
        lines,
        moreLines: all.length - lines.length,
        href: discrepancyListPath({ class: key, ...(day === undefined ? {} : { day }) }),
      },
    ];
  });
}

export function discrepancyView(
  of: ListedDiscrepancy,
  timeZone: string,
  now: Instant,
): DiscrepancyView {
  return {
    href: discrepancyPath(of.id),
    title: DISCREPANCY_TITLES[of.class],
    subject: of.subject,
    receiptId: of.receiptId,
    container: of.containerLabel,
    destination: of.destination,
    instrument: of.instrument,
    detail: of.detail,
    owner: ownerWords(of.owner),
    openedAt: moment(of.openedAt, timeZone),
    age: ageText(of.openedAt, of.closedAt ?? now),
    targetAt: moment(of.targetAt, timeZone),
    isLate: of.isLate,
    closedAt: of.closedAt === null ? null : moment(of.closedAt, timeZone),
    closingEvidence: of.closingEvidence,
  };
}
