import { formatInstant } from '../formats/instant.js';
import type { StatementRecord, StopRecord } from '../records/statement-record.js';
import { STATEMENT_SCHEMA, STATEMENT_VERSION } from '../records/statement-record.js';
import type { StatementDraft } from './evaluate-statement.js';
import type { SiteRules, StopFact } from './facts.js';

/** The canonical statement of a draft at a revision. */
export function statementRecord(
  draft: StatementDraft,
  of: {
    readonly site: Pick<SiteRules, 'site' | 'environment'>;
    readonly revision: number;
    readonly factsVersion: number;
    readonly stop: StopFact | null;
  },
): StatementRecord {
  return {
    schema: STATEMENT_SCHEMA,
    version: STATEMENT_VERSION,
    site: of.site.site,
    environment: of.site.environment,
    receipt: draft.receipt,
    revision: of.revision,
    factsVersion: of.factsVersion,
    outcome: draft.outcome,
    evaluatedAt: formatInstant(draft.evaluatedAt),
    validUntil: formatInstant(draft.validUntil),
    conditions: draft.conditions,
    containers: draft.containers,
    plan: draft.plan,
    decisions: draft.decisions,
    stopInForce: of.stop && stopRecord(of.stop),
  };
}

export function stopRecord(stop: StopFact): StopRecord {
  return {
    stopId: stop.stopId,
    kind: stop.kind,
    reason: stop.reason,
    issuedAt: formatInstant(stop.issuedAt),
    statementRevision: stop.statementRevision,
  };
}

/** Expectation revision a stored statement was judged by; null when it does not say. */
export function judgedReceiptRevision(
  statement: Pick<StatementRecord, 'conditions'>,
): number | null {
  const known = statement.conditions.find((c) => c.code === 'receipt-known');
  const reference = known?.evidence.find((e) => e.kind === 'receipt-revision');
  return reference === undefined ? null : Number(reference.id);
}
