import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type {
  Condition,
  StatementContainer,
  StatementRecord,
} from '../records/statement-record.js';
import { type ShownDocument, type Validity, validityOf } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { ReceiptFacts, ResultFact, StatementFacts } from './facts.js';

/** What a statement rests on, beside its second person: what that person signs. */
export type StatementEvidence = Pick<ShownDocument, 'subject' | 'record'>;

export function statementSubject(receiptId: string, receiptRevision: number): SignatureSubject {
  return { kind: 'statement', id: receiptId, revision: receiptRevision };
}

/**
 * The evidence of a statement as its second person is bound to it (rule 15): the receipt as it is announced, its
 * containers, every result of it in whatever state, every other condition, and the stops it had. One more result
 * is other evidence, also a passing one: whoever signed has not seen it. Words and times of evaluation are no
 * part of it, so that asking again changes nothing.
 */
export function statementEvidence(
  facts: StatementFacts,
  receipt: ReceiptFacts,
  draft: {
    readonly conditions: readonly Condition[];
    readonly containers: readonly StatementContainer[];
    readonly plan: StatementRecord['plan'];
    readonly decisions: StatementRecord['decisions'];
  },
): StatementEvidence {
  const { identity, revision, receivedAt, dockCount, retestAt, scanText } = receipt;
  const byRow = [...facts.results].sort((a, b) => (a.rowId < b.rowId ? -1 : 1));
  const record: JsonValue = {
    receipt: {
      ...identity,
      revision,
      scanText,
      dockCount,
      receivedAt: receivedAt === null ? null : formatInstant(receivedAt),
      retestAt: retestAt === null ? null : formatInstant(retestAt),
    },
    environment: facts.site.environment,
    plan: draft.plan && { ...draft.plan },
    containers: draft.containers.map(({ label, required, state, resultIds }) => ({
      label,
      required,
      state,
      resultIds: [...resultIds],
    })),
    results: byRow.map(resultEvidence),
    // Left out where none is asked for, so that what was signed before reads as it did.
    ...(receipt.attributePlans === undefined ? {} : { inspections: inspectionEvidence(facts) }),
    // Left out where there is none: most receipts never have one, and what was signed of them reads as before.
    ...(facts.claims.length === 0
      ? {}
      : {
          claims: facts.claims.map(({ attributionId, why, result }) => ({
            attributionId,
            why,
            resultId: result.resultId,
          })),
        }),
    conditions: draft.conditions.map(({ code, state }) => ({ code, state })),
    stops: facts.stops.map(({ stopId, kind, lift }) => ({
      stopId,
      kind,
      lift: lift && { signatureId: lift.signatureId, isValid: lift.isValid },
    })),
    decisions: draft.decisions.map(({ id }) => id),
  };
  return { subject: statementSubject(identity.receiptId, revision), record };
}

function inspectionEvidence({ inspections = [] }: StatementFacts): JsonValue {
  return inspections.map(({ lift, ...count }) => ({
    ...count,
    ...(lift === undefined ? {} : { lift: { ...lift } }),
  }));
}

function resultEvidence(result: ResultFact): JsonValue {
  // Span and run follow from what the element says, and from when its bundle came: they are no evidence of their own.
  const { measuredSpan: _span, runEpoch: _epoch, runNumber: _run, ...stated } = result;
  const { review, cause, attribution, measuredAt, ...others } = stated;
  const { methodId, methodVersion, methodDigest, ...rest } = others;
  return {
    ...rest,
    method: { id: methodId, version: methodVersion, digest: methodDigest },
    measuredAt: measuredAt === null ? null : formatInstant(measuredAt),
    review: review && { signatureId: review.signatureId, isValid: review.isValid },
    cause: cause && { signatureId: cause.signatureId, isValid: cause.isValid },
    ...(attribution === null
      ? {}
      : {
          attribution: { signatureId: attribution.signatureId, isValid: attribution.isValid },
        }),
  };
}

/** Whether a second person's signature still holds for what the statement rests on now. */
export function statementValidity(signature: Signature, evidence: StatementEvidence): Validity {
  const validity = validityOf(signature, evidence);
  const isOfEarlierReceipt =
    validity.kind === 'void' &&
    signature.subject.kind === evidence.subject.kind &&
    signature.subject.id === evidence.subject.id &&
    signature.subject.revision !== evidence.subject.revision;
  return isOfEarlierReceipt ? { kind: 'void', changed: ['/receipt/revision'] } : validity;
}
