import type { Instant } from '../formats/instant.js';
import { containerKey } from '../receipts/label.js';
import { furtherContainers } from '../receipts/sampling-plan.js';
import type { StatementContainer } from '../records/statement-record.js';
import type { FurtherRule } from '../site/site-folder.js';
import {
  type CoverageGap,
  coverageGaps,
  isContraryResult,
  isReviewVoid,
} from './covering-result.js';
import type {
  ClaimFact,
  ContainerFact,
  ReceiptFacts,
  ResultFact,
  StatementFacts,
} from './facts.js';

/** The results of a receipt, sorted by what they say about it. */
export interface Assessment {
  readonly receipt: ReceiptFacts;
  readonly contrary: readonly ResultFact[];
  /** Contrary results that may be the receipt's and are none of its results. */
  readonly claimed: readonly ClaimFact[];
  /** Contrary results whose cause somebody signed: they contradict nothing and cover nothing. */
  readonly explained: readonly ResultFact[];
  /** Results that were not contrary, by container label. */
  readonly passesByContainer: ReadonlyMap<string, readonly AssessedResult[]>;
  readonly containers: readonly StatementContainer[];
  readonly required: readonly StatementContainer[];
  /** What the plan asks for besides, because containers failed; null while none did. */
  readonly afterFailure: FurtherContainers | null;
  /** Required containers without a result that covers them. */
  readonly uncovered: readonly StatementContainer[];
  /**
   * Time of the measurement that completed the coverage: the latest of each required container's first
   * covering measurement, so later passes do not move it. null while coverage is not complete.
   */
  readonly completedAt: Instant | null;
}

export interface FurtherContainers {
  readonly rule: FurtherRule;
  /** Containers that failed; what was split off since left its share in what is required. */
  readonly failures: number;
  /** Labels, normalised, of those that are required besides. */
  readonly further: ReadonlySet<string>;
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
      append(passes, label, { result, gaps: coverageGaps(result, receipt, facts, now) });
    }
  }
  const claimed = facts.claims.filter(({ result }) =>
    isContraryResult(result, receipt.identity.material),
  );
  for (const { result } of claimed) {
    const label = result.containerLabel;
    if (label === null) continue;
    contraryLabels.add(label);
    append(resultIds, label, result.resultId);
  }
  const afterFailure = furtherOf(facts, receipt, failuresOf(contrary, claimed));
  const isRequired = ({ label, required }: ContainerFact) =>
    required || afterFailure?.further.has(containerKey(label)) === true;
  const firstCover = new Map<string, Instant>();
  const containers = facts.containers.map((container): StatementContainer => {
    const covered = firstCovering(passes.get(container.label) ?? []);
    if (covered !== null) firstCover.set(container.label, covered);
    return {
      label: container.label,
      required: isRequired(container),
      state: contraryLabels.has(container.label)
        ? 'contrary'
        : covered !== null
          ? 'covered'
          : isRequired(container)
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
    claimed,
    explained,
    passesByContainer: passes,
    containers,
    required,
    afterFailure,
    uncovered,
    completedAt:
      required.length === 0 || uncovered.length > 0
        ? null
        : required.reduce((latest, c) => later(latest, firstCover.get(c.label)), 0 as Instant),
  };
}

/** A result that names no container is one of its own. What a signed cause explains failed nothing. */
function failuresOf(contrary: readonly ResultFact[], claimed: readonly ClaimFact[]): number {
  const failed = [...contrary, ...claimed.map((claim) => claim.result)].map((result) =>
    result.containerLabel === null ? `result ${result.rowId}` : `of ${result.containerLabel}`,
  );
  return new Set(failed).size;
}

function furtherOf(
  facts: StatementFacts,
  { plan }: ReceiptFacts,
  failures: number,
): FurtherContainers | null {
  const required = facts.containers.filter((c) => c.required).map((c) => containerKey(c.label));
  // Without a plan every container is required, and with none required there is nothing to go on from.
  if (plan === null || failures === 0 || required.length === 0) return null;
  const labels = facts.containers.map((c) => containerKey(c.label));
  const further = furtherContainers(plan, labels, new Set(required), failures);
  return { rule: plan.afterFailure ?? 'every', failures, further };
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
  const isUnsigned = isReviewVoid(result) || result.attribution?.isValid === false;
  return result.state === 'accepted' && result.decision === 'pass' && !isUnsigned;
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
