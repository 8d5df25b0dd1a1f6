import type { PerformanceVerdict } from '../checks/judge-performance.js';
import { type Instant, msBetween } from '../formats/instant.js';
import type { ToleranceSet } from '../site/performance-settings.js';

/** A performance check of an instrument as it was judged when it was taken in. */
export interface CheckFact {
  readonly rowId: string;
  readonly checkId: string;
  readonly instrument: string;
  readonly epoch: number;
  readonly run: number;
  readonly checkedAt: Instant;
  readonly standard: string;
  readonly verdict: PerformanceVerdict;
  /** A signature that holds names its cause (of a failed check; false of every other). */
  readonly isCauseSigned: boolean;
}

/** Where a measurement stands between the checks of its instrument (rule 13). */
export type Bracket =
  /** A passing check before it, not too old, and a passing one after it. */
  | { readonly kind: 'closed'; readonly checks: readonly CheckFact[] }
  /** No check after it yet, or none that counts before it. */
  | { readonly kind: 'open'; readonly why: string }
  /** A check failed on one side of it, and was not repeated so that its cause is known. */
  | { readonly kind: 'suspended'; readonly why: string; readonly checks: readonly CheckFact[] }
  /** A check failed, and its repeat failed too. */
  | { readonly kind: 'withdrawn'; readonly why: string; readonly checks: readonly CheckFact[] };

export interface BracketedRun {
  readonly instrument: string;
  readonly epoch: number;
  readonly run: number;
  readonly measuredAt: Instant;
}

/**
 * The bracket of one run. It is closed when it is closed on every standard that the tolerances name; a failed check on
 * a standard that they do not name counts on each of them. Run numbers order, and a pass whose time contradicts them counts
 * as void; a bracket never reaches over an epoch, since nobody knows what was done to the instrument between two of
 * them. Pure, and the same in whatever order the checks became known; one more failed check never makes a bracket better.
 *
 * @param checks of its instrument and epoch, at least from the passing checks before it on, in any order
 * @param set in force when it was measured
 * @param clockSkewMs how far the instrument's clock may step back between two runs
 */
export function bracketOf(
  measured: BracketedRun,
  checks: readonly CheckFact[],
  set: ToleranceSet,
  clockSkewMs: number,
): Bracket {
  const own = ordered(
    checks.filter((c) => c.instrument === measured.instrument && c.epoch === measured.epoch),
    measured.run,
  );
  const named = set.standards.map(({ standard }) => standard);
  const sides = named.map((standard) => {
    const timeline = own.filter(
      (check) =>
        check.standard === standard ||
        (check.verdict === 'fail' && !named.includes(check.standard)),
    );
    return sideOf(measured, timeline, set, clockSkewMs);
  });
  return (
    sides.find(({ kind }) => kind === 'withdrawn') ??
    sides.find(({ kind }) => kind === 'suspended') ??
    sides.find(({ kind }) => kind === 'open') ?? {
      kind: 'closed',
      checks: sides.flatMap((side) => (side.kind === 'closed' ? side.checks : [])),
    }
  );
}

const NOT_AFTER = 'waits for the next passing check';
const NOT_BEFORE = 'has no passing check before it';

/** By run; of two that claim one run the failed one stands nearer to the measurement. */
function ordered(checks: readonly CheckFact[], run: number): CheckFact[] {
  const rank = { pass: 0, void: 1, fail: 2 } as const;
  const nearer = (a: CheckFact, b: CheckFact) =>
    (rank[a.verdict] - rank[b.verdict]) * (a.run > run ? -1 : 1);
  const byContent = new Map(checks.map((c) => [`${c.run} ${c.checkId} ${c.verdict}`, c]));
  return [...byContent.values()].sort((a, b) => a.run - b.run || nearer(a, b));
}

function sideOf(
  measured: BracketedRun,
  checks: readonly CheckFact[],
  set: ToleranceSet,
  clockSkewMs: number,
): Bracket {
  // A pass that was made before the measurement, whatever its run says, shows nothing of what came behind it.
  const isEarly = ({ run, verdict, checkedAt }: CheckFact) =>
    verdict === 'pass' &&
    run > measured.run &&
    msBetween(checkedAt, measured.measuredAt) > clockSkewMs;
  // Nor does one that was made before a failure answer that for what was measured behind it.
  const isOvertaken = ({ run, verdict, checkedAt }: CheckFact) =>
    verdict === 'pass' &&
    run <= measured.run &&
    checks.some(
      (failed) =>
        failed.verdict === 'fail' &&
        failed.run <= run &&
        msBetween(checkedAt, failed.checkedAt) > clockSkewMs,
    );
  const timeline = checks.map((c) =>
    isEarly(c) || isOvertaken(c) ? { ...c, verdict: 'void' as const } : c,
  );
  const judged = timeline.filter((check) => check.verdict !== 'void');
  const before = judged.filter((check) => check.run <= measured.run).at(-1);
  const after = judged.find((check) => check.run > measured.run);
  if (before?.verdict === 'fail') return afterFailure(before, judged);
  if (after?.verdict === 'fail') {
    const failure = failureFrom(after, timeline, set);
    if (failure.kind !== 'closed') return failure;
  }
  if (before === undefined) return { kind: 'open', why: NOT_BEFORE };
  const ageMs = msBetween(before.checkedAt, measured.measuredAt);
  if (ageMs > set.intervalMs || ageMs < -clockSkewMs) {
    const hours = (ageMs / 3_600_000).toFixed(1);
    const most = (set.intervalMs / 3_600_000).toFixed(1);
    return {
      kind: 'open',
      why: `was measured ${hours} h after check ${before.checkId}, at most ${most} h count`,
    };
  }
  if (after === undefined) return { kind: 'open', why: notAfter(checks.find(isEarly)) };
  const closing = after.verdict === 'pass' ? [after] : answering(after, judged);
  return { kind: 'closed', checks: [before, ...closing] };
}

function notAfter(early: CheckFact | undefined): string {
  return early === undefined
    ? NOT_AFTER
    : `${NOT_AFTER}; check ${early.checkId} was made before it by its time`;
}

/** It was measured while the instrument had failed: no later pass says anything of then. */
function afterFailure(last: CheckFact, judged: readonly CheckFact[]): Bracket {
  const at = judged.indexOf(last);
  let first = at;
  while (first > 0 && judged[first - 1]?.verdict === 'fail') first -= 1;
  const failed = failuresFrom(judged, first);
  return failed.length > 1
    ? withdrawn(failed)
    : { kind: 'suspended', why: `was measured after check ${last.checkId} failed`, checks: failed };
}

/** What a failed check after a measurement means, with what followed on it. */
function failureFrom(
  first: CheckFact,
  timeline: readonly CheckFact[],
  { repeats }: ToleranceSet,
): Bracket {
  const judged = timeline.filter((check) => check.verdict !== 'void');
  const failed = failuresFrom(judged, judged.indexOf(first));
  if (failed.length > 1) return withdrawn(failed);
  const [pass] = answering(first, judged);
  const suspended = (why: string): Bracket => ({ kind: 'suspended', why, checks: failed });
  const failure = `check ${first.checkId} after it failed`;
  if (pass === undefined) return suspended(failure);
  const tried = new Set(
    timeline.filter((c) => c.run > first.run && c.run <= pass.run).map((c) => c.run),
  ).size;
  if (tried > repeats.max) {
    return suspended(`${failure}, and passed at repeat ${tried}, ${repeats.max} allowed`);
  }
  const tookMs = msBetween(first.checkedAt, pass.checkedAt);
  if (tookMs < 0 || tookMs > repeats.withinMs) {
    const minutes = Math.round(tookMs / 60_000);
    const most = repeats.withinMs / 60_000;
    return suspended(`${failure}, and passed ${minutes} min later, ${most} min allowed`);
  }
  if (!first.isCauseSigned) return suspended(`${failure}, and nobody signed its cause`);
  return { kind: 'closed', checks: [first, pass] };
}

function withdrawn(failed: readonly CheckFact[]): Bracket {
  const names = failed.slice(0, 3).map((check) => check.checkId);
  return {
    kind: 'withdrawn',
    why: `checks ${names.join(' and ')} failed one after the other`,
    checks: failed,
  };
}

/** The unbroken row of failed checks that begins here. */
function failuresFrom(judged: readonly CheckFact[], first: number): CheckFact[] {
  const end = judged.findIndex((check, i) => i > first && check.verdict === 'pass');
  return judged.slice(first, end === -1 ? judged.length : end);
}

/** The pass that ends a row of failed checks, if there is one. */
function answering(failed: CheckFact, judged: readonly CheckFact[]): CheckFact[] {
  const pass = judged.slice(judged.indexOf(failed)).find((check) => check.verdict === 'pass');
  return pass === undefined ? [] : [pass];
}
