import type { Condition, EvidenceReference } from '../records/statement-record.js';
import { toleranceSetAt } from '../site/performance-settings.js';
import type { Assessment } from './assess-evidence.js';
import { condition, named } from './condition.js';
import { isContraryResult } from './covering-result.js';
import type { ResultFact, StatementFacts } from './facts.js';
import { type Bracket, bracketOf } from './performance-bracket.js';

const CODE = 'performance-brackets';

/**
 * Rule 13. Each required container has a covering pass whose instrument passed a check before and after it. A failed
 * check leaves the passes since the last one in doubt; one that failed again contradicts them. A pass elsewhere, whose
 * bracket is closed, answers for its container.
 */
export function performanceBrackets(facts: StatementFacts, assessment: Assessment): Condition {
  if (facts.site.performance === null) {
    const found = 'rule 13: the site folder has no performance-checks.yaml, so no check is judged';
    return condition(CODE, 'not-evaluated', found);
  }
  if (assessment.required.length === 0) {
    return condition(CODE, 'unmet', 'no container is required');
  }
  const against: string[] = [];
  const withdrawn: string[] = [];
  const doubted: string[] = [];
  const evidence = new Map<string, EvidenceReference>();
  const cite = (bracket: Bracket) => {
    if (bracket.kind === 'open') return;
    for (const { checkId } of bracket.checks) {
      evidence.set(checkId, { kind: 'performance-check', id: checkId });
    }
  };
  const required = new Set(assessment.required.map(({ label }) => label));
  for (const { label } of assessment.containers) {
    const passes = facts.results.filter(
      (r) =>
        r.containerLabel === label && !isContraryResult(r, assessment.receipt.identity.material),
    );
    const judged = passes.map((result) => ({ result, bracket: bracketFor(result, facts) }));
    const covering = new Set(
      (assessment.passesByContainer.get(label) ?? [])
        .filter(({ gaps }) => gaps.length === 0)
        .map(({ result }) => result.rowId),
    );
    for (const { bracket } of judged) cite(bracket);
    const worst = strictest(judged);
    const isClosed = judged.some(
      ({ result, bracket }) => bracket.kind === 'closed' && covering.has(result.rowId),
    );
    if (isClosed || !required.has(label)) {
      if (worst !== null && worst.bracket.kind !== 'open') doubted.push(inWords(worst));
      continue;
    }
    if (worst === null) against.push(`container ${label} has no result to bracket`);
    else (worst.bracket.kind === 'withdrawn' ? withdrawn : against).push(inWords(worst));
  }
  const cited = [...evidence.values()];
  if (withdrawn.length > 0) {
    return condition(CODE, 'contradicted', named([...withdrawn, ...against]), cited);
  }
  if (against.length > 0) return condition(CODE, 'unmet', named(against), cited);
  const beside = doubted.length === 0 ? '' : `; does not count: ${named(doubted)}`;
  const found = `every covering result lies between two passing checks${beside}`;
  return condition(CODE, 'met', found, cited);
}

interface Judged {
  readonly result: ResultFact;
  readonly bracket: Bracket;
}

/** What stands most against a container; null when nothing does. */
function strictest(judged: readonly Judged[]): Judged | null {
  for (const kind of ['withdrawn', 'suspended', 'open'] as const) {
    const found = judged.find(({ bracket }) => bracket.kind === kind);
    if (found !== undefined) return found;
  }
  return null;
}

function inWords({ result, bracket }: Judged): string {
  const why = bracket.kind === 'closed' ? '' : bracket.why;
  const fate = bracket.kind === 'withdrawn' ? ' is withdrawn:' : '';
  return `result ${result.resultId} of ${result.instrument ?? 'an unnamed instrument'}${fate} ${why}`;
}

/** What cannot be placed among the checks of an instrument is not bracketed. */
function bracketFor(result: ResultFact, facts: StatementFacts): Bracket {
  const { instrument, runEpoch: epoch, runNumber: run, measuredAt } = result;
  const { performance, limits } = facts.site;
  if (instrument === null || epoch === null || run === null || measuredAt === null) {
    return { kind: 'open', why: 'cannot be placed among the checks of an instrument' };
  }
  const set = performance && toleranceSetAt(performance, instrument, measuredAt);
  if (set === null) {
    return {
      kind: 'open',
      why: 'was measured when no tolerances were in force for its instrument',
    };
  }
  const measured = { instrument, epoch, run, measuredAt };
  return bracketOf(measured, facts.checks, set, limits.clockSkewMs);
}
