import { formatInstant, type Instant } from '../formats/instant.js';
import type { Decision } from '../site/vocabulary.js';
import type { Finding } from './finding.js';
import { asFinding } from './rule.js';
import { containerDecisionsDiffer, remeasuredUntilPass } from './rules/remeasured.js';

/** One measurement of a container, whatever came of it. */
export interface Attempt {
  /** Row of the result, its bundle and its place there. */
  readonly rowId: string;
  readonly bundleRowId: string;
  readonly pointer: string;
  readonly resultId: string;
  /** The same for every attempt on one container. */
  readonly container: string;
  readonly instrument: string | null;
  readonly epoch: number | null;
  readonly run: number | null;
  readonly measuredAt: Instant | null;
  readonly decision: Decision | null;
  readonly contrary: boolean;
  /** A cause is signed that holds (rule 12): it is set aside. */
  readonly explained: boolean;
  /** Comes with the bundle that is being settled. */
  readonly isNew: boolean;
}

export interface SeriesFinding {
  readonly rowId: string;
  readonly bundleRowId: string;
  readonly finding: Finding;
}

/** Findings about one attempt, and about one bundle: the statement lists the whole series, however long. */
const FINDINGS_AN_ATTEMPT_MAX = 10;
const FINDINGS_MAX = 1000;

/**
 * Release-safety rule 12. Each pair of a contrary attempt and a pass on one container is one finding: on the pass when
 * it came later, on the contrary one otherwise. Only pairs with a new attempt are looked at, and the finding is the
 * same whichever of the two is new: the order of arrival makes no difference to what stands in the end.
 */
export function findInSeries(attempts: readonly Attempt[]): SeriesFinding[] {
  const found: SeriesFinding[] = [];
  for (const series of byContainer(attempts)) {
    const contrary = series.filter((attempt) => attempt.contrary && !attempt.explained);
    const passes = series.filter((attempt) => !attempt.contrary);
    const counts = new Map<string, number>();
    for (const against of contrary) {
      for (const pass of passes) {
        if (!(against.isNew || pass.isNew) || against.resultId === pass.resultId) continue;
        const on = isBehind(pass, against) ? pass : against;
        const count = counts.get(on.rowId) ?? 0;
        if (count >= FINDINGS_AN_ATTEMPT_MAX) continue;
        if (found.length >= FINDINGS_MAX) return found;
        counts.set(on.rowId, count + 1);
        found.push(pairFinding(pass, against, on));
      }
    }
  }
  return found;
}

function pairFinding(pass: Attempt, against: Attempt, on: Attempt): SeriesFinding {
  const isLaterPass = on === pass;
  const other = isLaterPass ? against : pass;
  const where = `result ${other.resultId} (${other.decision ?? 'unreadable'}, ${other.instrument ?? 'unknown instrument'}, ${other.measuredAt === null ? 'time unknown' : formatInstant(other.measuredAt)})`;
  const { rowId, bundleRowId, pointer } = on;
  const finding = asFinding(isLaterPass ? remeasuredUntilPass : containerDecisionsDiffer, {
    pointer: `${pointer}/container`,
    message: isLaterPass
      ? `passes after ${where} on the same container, whose cause nobody has signed`
      : `${on.decision ?? 'unreadable'} after ${where} on the same container`,
    numbers: { [isLaterPass ? 'contraryResult' : 'passingResult']: other.resultId },
  });
  return { rowId, bundleRowId, finding };
}

/** True when `a` was measured after `b`, and when nobody can tell: doubt is on the side of the contrary attempt. */
function isBehind(a: Attempt, b: Attempt): boolean {
  const isOneCount = a.instrument !== null && a.instrument === b.instrument && a.epoch === b.epoch;
  if (isOneCount && a.epoch !== null && a.run !== null && b.run !== null) return a.run > b.run;
  if (a.measuredAt === null || b.measuredAt === null) return true;
  return a.measuredAt >= b.measuredAt;
}

function byContainer(attempts: readonly Attempt[]): Attempt[][] {
  const series = new Map<string, Attempt[]>();
  for (const attempt of attempts) {
    const held = series.get(attempt.container);
    if (held) held.push(attempt);
    else series.set(attempt.container, [attempt]);
  }
  return [...series.values()].filter((one) => one.length > 1);
}
