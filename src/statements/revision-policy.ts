import { canonicalDigest } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { StatementRecord } from '../records/statement-record.js';
import { evaluateStatement, type StatementDraft } from './evaluate-statement.js';
import type { PreviousStatement, StatementFacts, StopFact } from './facts.js';
import { stopInForce } from './standing-conditions.js';
import { decideStop, type StopDecision } from './stop-decision.js';

type Told = Pick<StatementRecord, 'outcome' | 'conditions' | 'containers'>;

/**
 * What of a statement is news when it changes: the outcome; for a *conforms* the containers and results it
 * says so of; for a *does not conform* what contradicts it, since what is still missing beside a
 * contradiction changes nothing for anybody; for an *incomplete* which conditions do not hold. Words, times
 * and who was heard when are no news.
 */
export function statementFingerprint(statement: Told): string {
  const isContradicted = statement.outcome === 'does-not-conform';
  const open = statement.conditions
    .filter((c) => (isContradicted ? c.state === 'contradicted' : c.state !== 'met'))
    .map((c) => `${c.code} ${c.state}`)
    .sort();
  const containers =
    statement.outcome === 'incomplete'
      ? []
      : statement.containers
          .filter((c) => !isContradicted || c.state === 'contrary')
          .map((c) => [c.label, c.required, c.state, [...c.resultIds]]);
  return canonicalDigest([statement.outcome, open, containers]);
}

export interface RevisionDecision {
  readonly draft: StatementDraft;
  /** False when the latest stored revision says the same. */
  readonly isNew: boolean;
  readonly stop: StopDecision;
}

/** What destinations were not told of the latest stored revision (release-safety rule 20). */
export interface Untold {
  /** An acting destination goes on holding a *conforms* of an earlier revision. */
  readonly holdsConforms: boolean;
  /** True when a revision of this kind would have a message for one of them: then it is stated anew. */
  readonly wouldBeTold: (revision: {
    readonly isStop: boolean;
    readonly isConforms: boolean;
  }) => boolean;
}

/**
 * Evaluates the facts and decides whether the statement is a new revision, and whether that revision is a
 * stop. When it is, the draft is evaluated again with the stop in force, so that the revision that is the
 * stop says so itself.
 *
 * @param newStop id and revision the stop would get
 */
export function decideRevision(options: {
  readonly facts: StatementFacts;
  readonly previous: PreviousStatement | null;
  readonly hasConformed: boolean;
  readonly isIneffective: boolean;
  readonly untold: Untold;
  readonly newStop: { readonly stopId: string; readonly statementRevision: number };
  readonly now: Instant;
}): RevisionDecision {
  const { facts, previous, untold, now } = options;
  const draft = evaluateStatement(facts, now);
  const standing = stopInForce(facts.stops);
  const isConforms = draft.outcome === 'conforms';
  const hasConformed = options.hasConformed || untold.holdsConforms;
  const isStop = standing !== null || (hasConformed && !isConforms);
  const isNews =
    previous === null ||
    previous.fingerprint !== statementFingerprint(draft) ||
    untold.wouldBeTold({ isStop, isConforms });
  const stop = decideStop({
    hasConformed,
    standing,
    draft,
    isIneffective: options.isIneffective,
    isNews,
  });
  if (stop.kind === 'none') return { draft, isNew: isNews, stop };
  const issued = issuedStop(options.newStop, stop, now);
  const stopped = { ...facts, stops: [...facts.stops, issued] };
  return { draft: evaluateStatement(stopped, now), isNew: true, stop };
}

/** A stop as it stands in the facts from the moment it is issued. */
export function issuedStop(
  newStop: { readonly stopId: string; readonly statementRevision: number },
  { kind, reason }: Exclude<StopDecision, { kind: 'none' }>,
  now: Instant,
): StopFact {
  return { ...newStop, kind, reason, issuedAt: now, effectiveAt: null, lift: null };
}
