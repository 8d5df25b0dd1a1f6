import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { SignatureSubject } from '../signatures/signature.js';
import type { StatementDraft } from './evaluate-statement.js';
import type { StopFact } from './facts.js';
import type { ReviewOption } from './review-option.js';

/** A receipt's stops as of now, before somebody signs that they are lifted. */
export interface StopLiftCase {
  readonly receiptId: string;
  /** The stop in force; null when there is none. */
  readonly standing: StopFact | null;
  /** Every stop that is in force, earliest first: one act lifts them together, since each says the same. */
  readonly open: readonly StopFact[];
  /** What could be said if they were not there. */
  readonly without: Pick<StatementDraft, 'outcome' | 'conditions' | 'evidence'>;
  /** Destinations that act by statements. */
  readonly acting: readonly string[];
}

export function stopSubject(
  stop: Pick<StopFact, 'stopId' | 'statementRevision'>,
): SignatureSubject {
  return { kind: 'stop', id: stop.stopId, revision: stop.statementRevision };
}

/**
 * Whether the stop in force may be lifted (rules 9 and 20): every acting destination has shown it, so that none acts
 * on what was said before, and without it nothing contradicts the receipt. Evidence that is still missing is no
 * obstacle: the statement stays incomplete then.
 */
export function liftOption(about: StopLiftCase): ReviewOption {
  const { standing, without, acting } = about;
  const because: string[] = [];
  if (standing === null) because.push('no stop is in force');
  else if (acting.length > 0 && standing.effectiveAt === null) {
    because.push(`${acting.join(' and ')} has not shown it yet: it has to be effective first`);
  }
  if (without.outcome === 'does-not-conform') {
    const against = without.conditions.filter((c) => c.state === 'contradicted');
    because.push(...against.map((c) => `${c.code} is contradicted: ${c.found}`));
  }
  if (because.length > 0) return { possible: false, because, effects: [] };
  const open = without.conditions.filter((c) => c.state === 'unmet').map((c) => c.code);
  return {
    possible: true,
    because: [],
    effects: [
      `the statement is ${without.outcome} at its next revision`,
      ...(open.length > 0 ? [`still missing: ${open.join(', ')}`] : []),
      'a block that a person set in an acting system stays until a person ends it there',
    ],
  };
}

/** What is shown and signed: the stops by name, and what the receipt rests on without them. */
export function liftDocument(about: StopLiftCase): ShownDocument {
  const { standing, open, without } = about;
  if (standing === null) throw new Error('a document is made of a stop in force only');
  const option = liftOption(about);
  const record: JsonValue = {
    receiptId: about.receiptId,
    stops: open.map((stop) => ({
      stopId: stop.stopId,
      kind: stop.kind,
      reason: stop.reason,
      issuedAt: formatInstant(stop.issuedAt),
      effectiveAt: stop.effectiveAt === null ? null : formatInstant(stop.effectiveAt),
      statementRevision: stop.statementRevision,
    })),
    without: {
      outcome: without.outcome,
      conditions: without.conditions.map(({ code, state, found }) => ({ code, state, found })),
      evidence: without.evidence?.record ?? null,
    },
  };
  const context: JsonValue = {
    lift: {
      possible: option.possible,
      because: [...option.because],
      effects: [...option.effects],
    },
  };
  return { subject: stopSubject(standing), record, context };
}
