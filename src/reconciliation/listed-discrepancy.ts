import { addMs, type Instant } from '../formats/instant.js';
import type { DiscrepancyRow } from '../storage/tables.js';
import type { Discrepancy } from './compare.js';
import { DISCREPANCY_RULES, type ServiceTargets, targetOf } from './discrepancies.js';

/** A stored discrepancy as it is shown: who sees to it, by when, and what became of it. */
export interface ListedDiscrepancy extends Discrepancy {
  readonly id: string;
  readonly openedAt: Instant;
  /** `role:<role>` or `person:<name>`. */
  readonly owner: string;
  /** Service-time target; not a deadline of any authority. */
  readonly targetAt: Instant;
  /** Still open past its target. */
  readonly isLate: boolean;
  /** What may close it. */
  readonly closedBy: string;
  readonly closedAt: Instant | null;
  readonly closingEvidence: string | null;
}

export function listedDiscrepancy(
  row: DiscrepancyRow,
  targets: ServiceTargets,
  now: Instant,
): ListedDiscrepancy {
  const targetAt = addMs(row.opened_at, targetOf(row.class, targets));
  return {
    id: row.id,
    class: row.class,
    subject: row.subject,
    detail: row.detail,
    receiptId: row.receipt_id,
    containerLabel: row.container_label,
    destination: row.destination,
    instrument: row.instrument,
    fault: row.fault as Discrepancy['fault'],
    countsFrom: row.counts_from,
    openedAt: row.opened_at,
    owner: row.owner ?? `role:${DISCREPANCY_RULES[row.class].owner}`,
    targetAt,
    isLate: row.closed_at === null && now > targetAt,
    closedBy: DISCREPANCY_RULES[row.class].closedBy,
    closedAt: row.closed_at,
    closingEvidence: row.closing_evidence,
  };
}
