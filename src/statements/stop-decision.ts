import { writtenText } from '../formats/written-text.js';
import {
  STOP_REASON_MAX,
  type StatementOutcome,
  type StopKind,
} from '../records/statement-record.js';
import { named } from './condition.js';
import type { StatementDraft } from './evaluate-statement.js';
import type { StopFact } from './facts.js';

/** Whether a new statement has to leave as a stop, and of which kind. */
export type StopDecision =
  | { readonly kind: 'none' }
  | {
      readonly kind: 'suspend' | 'withdraw';
      /**
       * `transition`: a receipt that conformed does no longer. `escalation`: doubt became contradiction.
       * `re-assertion`: an acting destination showed something else than the stop. `continuation`: a stop
       * is in force and something else changed, so this revision's message is a stop as well.
       */
      readonly cause: 'transition' | 'escalation' | 're-assertion' | 'continuation';
      readonly reason: string;
    };

/**
 * Decides the stop of an evaluation (rule 20). `suspend` when evidence is in doubt, `withdraw` when it is
 * contradicted. Stops latch: nothing here ends one.
 */
export function decideStop(options: {
  /** Outcomes stored so far for this receipt, or held of it at a destination, had a *conforms*. */
  readonly hasConformed: boolean;
  /** The stop in force, null when there is none. */
  readonly standing: StopFact | null;
  readonly draft: Pick<StatementDraft, 'outcome' | 'conditions'>;
  /** An acting destination's read-back of the latest stop shows something else. */
  readonly isIneffective: boolean;
  /** The evaluation says something else than the latest stored revision. */
  readonly isNews: boolean;
}): StopDecision {
  const { hasConformed, standing, draft, isIneffective, isNews } = options;
  const wanted = kindFor(draft.outcome);
  const reason = reasonOf(draft);
  if (standing === null) {
    return hasConformed && wanted !== null
      ? { kind: wanted, cause: 'transition', reason }
      : { kind: 'none' };
  }
  if (standing.kind === 'suspend' && wanted === 'withdraw') {
    return { kind: 'withdraw', cause: 'escalation', reason };
  }
  if (isIneffective) {
    return {
      kind: standing.kind,
      cause: 're-assertion',
      reason: reassertionOf(standing),
    };
  }
  return isNews
    ? {
        kind: standing.kind,
        cause: 'continuation',
        reason: writtenText(standing.reason, STOP_REASON_MAX),
      }
    : { kind: 'none' };
}

function kindFor(outcome: StatementOutcome): StopKind | null {
  switch (outcome) {
    case 'conforms':
      return null;
    case 'does-not-conform':
      return 'withdraw';
    case 'incomplete':
      return 'suspend';
  }
}

/** What no longer holds, contradictions first. */
function reasonOf(draft: Pick<StatementDraft, 'conditions'>): string {
  const contradicted = draft.conditions.filter((c) => c.state === 'contradicted');
  const against =
    contradicted.length > 0 ? contradicted : draft.conditions.filter((c) => c.state === 'unmet');
  return writtenText(named(against.map((c) => `${c.code}: ${c.found}`)), STOP_REASON_MAX);
}

/** However often it is said again, the reason is that of the stop, behind what was read back last. */
function reassertionOf(standing: Pick<StopFact, 'reason' | 'statementRevision'>): string {
  const why = `read-back does not show the stop of revision ${standing.statementRevision}; `;
  return writtenText(`${why}${standing.reason.replace(REASSERTED, '')}`, STOP_REASON_MAX);
}

const REASSERTED = /^(?:read-back does not show the stop of revision \d+; )+/u;
