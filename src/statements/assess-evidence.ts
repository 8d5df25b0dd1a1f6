import type { Instant } from '../formats/instant.js';
import type { StatementContainer } from '../records/statement-record.js';
import {
  type CoverageGap,
  coverageGaps,
  isContraryResult,
  isReviewVoid,
} from './covering-result.js';
import type { ReceiptFacts, ResultFact, StatementFacts } from './facts.js';

/** The results of a receipt, sorted by what they say about it. */
export interface Assessment {
  readonly receipt: ReceiptFacts;
  readonly contrary: readonly ResultFact[];
  /** Contrary results whose cause somebody signed: they contradict nothing and cover nothing. */
  readonly explained: readonly ResultFact[];
  /** Results that were not contrary, by container label. */
  readonly passesByContainer: ReadonlyMap<string, readonly AssessedResult[]>;
  readonly containers: readonly StatementContainer[];
  readonly required: readonly StatementContainer[];
  /** Required containers without a result that covers them. */
  readonly uncovered: readonly StatementContainer[];
  /**
   * Time of the measurement that completed the coverage: the latest of each required container's first
   * covering measurement, so later passes do not move it. null while coverage is not complete.
   */
  readonly completedAt: Instant | null;
}

export interface AssessedResult {
  readonly result: ResultFact;
  readonly gaps: readonly CoverageGap[];
}

export function assessEvidence(
  facts: StatementFacts,
  receipt: ReceiptFacts,
  now: Instant,
): Assessment {
  const contrary: ResultFact[] = [];
  const explained: ResultFact[] = [];
  const passes = new Map<string, AssessedResult[]>();
  const contraryLabels = new Set<string>();
  const resultIds = new Map<string, string[]>();
  for (const result of facts.results) {
    const label = result.containerLabel;
    if (label !== null) append(resultIds, label, result.resultId);
    if (isContraryResult(result, receipt.identity.material)) {
      if (result.cause?.isValid) {
        explained.push(result);
        continue;
      }
      contrary.push(result);
      if (label !== null) contraryLabels.add(label);
    } else if (label !== null) {
      append(passes, label, { result, gaps: coverageGaps(result, receipt, facts.site, now) });
    }
  }
  const firstCover = new Map<string, Instant>();
  const containers = facts.containers.map((container): StatementContainer => {
    const covered = firstCovering(passes.get(container.label) ?? []);
    if (covered !== null) firstCover.set(container.label, covered);
    return {
      label: container.label,
      required: container.required,
      state: contraryLabels.has(container.label)
        ? 'contrary'
        : covered !== null
          ? 'covered'
          : container.required
            ? 'not-measured'
            : 'not-required',
      resultIds: [...new Set(resultIds.get(container.label) ?? [])].sort(),
    };
  });
  const required = containers.filter((c) => c.required);
  const uncovered = required.filter((c) => !firstCover.has(c.label));
  return {
    receipt,
    contrary,
    explained,
    passesByContainer: passes,
    containers,
    required,
    uncovered,
    completedAt:
      required.length === 0 || uncovered.length > 0
        ? null
        : required.reduce((latest, c) => later(latest, firstCover.get(c.label)), 0 as Instant),
  };
}

/** Required containers of which no passing result is free of gaps under this condition. */
export function containersFailing(
  assessment: Assessment,
  condition: CoverageGap['condition'],
): StatementContainer[] {
  return assessment.required.filter((container) => {
    const passes = assessment.passesByContainer.get(container.label) ?? [];
    return !passes.some((p) => isPass(p) && p.gaps.every((g) => g.condition !== condition));
  });
}

function isPass(assessed: AssessedResult): boolean {
  const { result } = assessed;
  return result.state === 'accepted' && result.decision === 'pass' && !isReviewVoid(result);
}

function firstCovering(passes: readonly AssessedResult[]): Instant | null {
  let first: Instant | null = null;
  for (const { result, gaps } of passes) {
    if (gaps.length > 0 || result.measuredAt === null) continue;
    if (first === null || result.measuredAt < first) first = result.measuredAt;
  }
  return first;
}

function later(a: Instant, b: Instant | undefined): Instant {
  return b !== undefined && b > a ? b : a;
}

function append<T>(map: Map<string, T[]>, key: string, value: T): void {
  const held = map.get(key);
  if (held) held.push(value);
  else map.set(key, [value]);
}
