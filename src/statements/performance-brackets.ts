import type { Condition, EvidenceReference } from '../records/statement-record.js';
import { areLabelsVerified } from './answering-result.js';
import type { AssessedResult, Assessment } from './assess-evidence.js';
import { condition, named } from './condition.js';
import type { ResultFact, StatementFacts } from './facts.js';
import type { Bracket } from './performance-bracket.js';

const CODE = 'performance-brackets';

/**
 * Rule 13. Each required container has a covering pass whose instrument passed a check before and after it, and with
 * verified labels where any of its covering passes has them: two that each lack one never answer together. A failed check
 * leaves the passes since the last one in doubt; one that failed again contradicts them. A pass elsewhere, whose bracket
 * is closed, answers for its container.
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
    const passes = assessment.passesByContainer.get(label) ?? [];
    const judged = passes.flatMap(({ result, bracket }) => (bracket ? [{ result, bracket }] : []));
    for (const { bracket } of judged) cite(bracket);
    const worst = strictest(judged);
    const covering = passes.filter(({ gaps }) => gaps.length === 0);
    const verified = covering.filter(({ result }) => areLabelsVerified(result));
    // While none has verified labels that is said by their own condition, and the bracket of any may be closed.
    const isAnswered = (verified.length > 0 ? verified : covering).some(isBracketClosed);
    if (isAnswered || !required.has(label)) {
      if (worst !== null && worst.bracket.kind !== 'open') doubted.push(inWords(worst));
      continue;
    }
    const isClosed = covering.some(isBracketClosed);
    if (worst === null) against.push(`container ${label} has no result to bracket`);
    else
      (worst.bracket.kind === 'withdrawn' && !isClosed ? withdrawn : against).push(inWords(worst));
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

function isBracketClosed({ bracket }: AssessedResult): boolean {
  return bracket?.kind === 'closed';
}

function inWords({ result, bracket }: Judged): string {
  const why = bracket.kind === 'closed' ? '' : bracket.why;
  const fate = bracket.kind === 'withdrawn' ? ' is withdrawn:' : '';
  return `result ${result.resultId} of ${result.instrument ?? 'an unnamed instrument'}${fate} ${why}`;
}
