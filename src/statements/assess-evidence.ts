import type { Instant } from '../formats/instant.js';
import { containerKey } from '../receipts/label.js';
import { furtherContainers } from '../receipts/sampling-plan.js';
import type { StatementContainer } from '../records/statement-record.js';
import type { FurtherRule } from '../site/site-folder.js';
import { areLabelsVerified, bracketFor } from './answering-result.js';
import {
  type CoverageGap,
  coverageGaps,
  isContraryResult,
  isReviewVoid,
  spanOf,
} from './covering-result.js';
import type {
  ClaimFact,
  ContainerFact,
  ReceiptFacts,
  ResultFact,
  StatementFacts,
} from './facts.js';
import type { Bracket } from './performance-bracket.js';

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
   * Time of the measurement that completed the receipt: the latest of each required container's first measurement
   * that answers for it, so later passes do not move it; of one that still waits for labels or checks its last covering
   * one. Where an offset was assumed, the latest it can have been. null while a required container is not covered.
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
  /** Between the performance checks of its instrument; null where the site judges none. */
  readonly bracket: Bracket | null;
}

/**
 * True when this one result is all that its container needs: it covers it, its labels were scanned or compared, and its
 * bracket is closed. Two results that each lack one of these never answer together: nothing says that the drum whose
 * label was typed is the one that was measured without a check.
 */
export function answersForContainer({ result, gaps, bracket }: AssessedResult): boolean {
  const isBracketed = bracket === null || bracket.kind === 'closed';
  return gaps.length === 0 && areLabelsVerified(result) && isBracketed;
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
      const gaps = coverageGaps(result, receipt, facts, now);
      append(passes, label, { result, gaps, bracket: bracketFor(result, facts) });
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
  const covered = new Set<string>();
  const containers = facts.containers.map((container): StatementContainer => {
    const isCovered = passes.get(container.label)?.some(({ gaps }) => gaps.length === 0) === true;
    if (isCovered) covered.add(container.label);
    return {
      label: container.label,
      required: isRequired(container),
      state: contraryLabels.has(container.label)
        ? 'contrary'
        : isCovered
          ? 'covered'
          : isRequired(container)
            ? 'not-measured'
            : 'not-required',
      resultIds: [...new Set(resultIds.get(container.label) ?? [])].sort(),
    };
  });
  const required = containers.filter((c) => c.required);
  const uncovered = required.filter((c) => !covered.has(c.label));
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
    completedAt: lastOf(required.map((c) => completing(passes.get(c.label) ?? []))),
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

function completing(passes: readonly AssessedResult[]): Instant | null {
  const covering = passes.filter(({ gaps }) => gaps.length === 0);
  const answering = timesOf(covering.filter(answersForContainer));
  if (answering.length > 0) return Math.min(...answering) as Instant;
  return lastOf(timesOf(covering));
}

/** The latest that each can have been measured: until then another instrument may have found a fail (rules 11 and 30). */
function timesOf(passes: readonly AssessedResult[]): Instant[] {
  return passes.flatMap(({ result }) => spanOf(result)?.to ?? []);
}

/** null when there is none, or one of them is not known. */
function lastOf(instants: readonly (Instant | null)[]): Instant | null {
  const known = instants.filter((at) => at !== null);
  if (known.length === 0 || known.length < instants.length) return null;
  return known.reduce((latest, at) => Math.max(latest, at) as Instant);
}

function append<T>(map: Map<string, T[]>, key: string, value: T): void {
  const held = map.get(key);
  if (held) held.push(value);
  else map.set(key, [value]);
}
