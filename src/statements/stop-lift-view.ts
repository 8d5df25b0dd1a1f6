import { formatInstant } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import type { StatementOutcome } from '../records/statement-record.js';
import { bindShown, type ShownDocument } from '../signatures/shown-document.js';
import type { Signature, SignatureManifest } from '../signatures/signature.js';
import type { StopRow } from '../storage/tables.js';
import type { NotSigned } from './review-answer.js';
import type { ReviewOption } from './review-option.js';
import { readInvestigated, type SignedFields } from './review-request.js';
import { liftDocument, liftOption, type StopLiftCase } from './stop-lift.js';

/** A stop as it was issued, and what became of it. Instants are RFC 3339 in UTC. */
export interface StopView {
  readonly stopId: string;
  readonly kind: StopRow['kind'];
  readonly reason: string;
  readonly statementRevision: number;
  readonly issuedAt: string;
  readonly effectiveAt: string | null;
  readonly liftedAt: string | null;
  readonly investigation: string | null;
  readonly signature: SignatureManifest | null;
  /** What each destination was told of it, and when it answered. */
  readonly told: readonly {
    readonly destination: string;
    readonly state: string;
    readonly attempts: number;
    readonly firstSentAt: string | null;
    readonly acceptedAt: string | null;
    readonly confirmedAt: string | null;
    readonly reason: string | null;
  }[];
  /** Tries to tell a person over the second channel. */
  readonly escalations: readonly {
    readonly number: number;
    readonly at: string;
    readonly channel: string;
    readonly person: string;
    readonly recipient: string;
    readonly why: string;
    /**
     * `sent`: the server took it, which does not say that anybody read it; `told`: the destination showed it when it
     * was asked; `ended`: it was not sent any more, since the stop is effective or lifted.
     */
    readonly outcome: 'sent' | 'told' | 'on its way' | 'failed' | 'ended' | 'unknown';
    /** When the destination showed it; null for a mail. */
    readonly confirmedAt: string | null;
    readonly detail: string | null;
  }[];
}

export interface StopLiftView {
  readonly receiptId: string;
  /** Every stop of the receipt, earliest first. */
  readonly stops: readonly StopView[];
  /** The one that is in force and that a lift names; null when none is. */
  readonly inForce: string | null;
  readonly lift: ReviewOption;
  /** What a lift would sign, and its digest; null when no stop is in force. */
  readonly shown: ShownDocument | null;
  readonly sha256: string | null;
}

export type StopLiftAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly lifted: readonly string[];
      readonly outcome: StatementOutcome;
      readonly revision: number;
    }
  | NotSigned;

export interface StopLiftRequest {
  /** The stop in force, as it was shown. */
  readonly stopId: string;
  readonly investigation: string;
  readonly shownSha256: string;
  readonly reason: string;
}

export function stopLiftView(about: StopLiftCase, stops: readonly StopView[]): StopLiftView {
  const shown = about.standing === null ? null : liftDocument(about);
  return {
    receiptId: about.receiptId,
    stops,
    inForce: about.standing?.stopId ?? null,
    lift: liftOption(about),
    shown,
    sha256: shown && bindShown(shown).sha256,
  };
}

export function stopView(
  row: StopRow,
  parts: Pick<StopView, 'signature' | 'told' | 'escalations'>,
): StopView {
  return {
    stopId: row.id,
    kind: row.kind,
    reason: row.reason,
    statementRevision: row.statement_revision,
    issuedAt: formatInstant(row.issued_at),
    effectiveAt: row.effective_at === null ? null : formatInstant(row.effective_at),
    liftedAt: row.lifted_at === null ? null : formatInstant(row.lifted_at),
    investigation: row.investigation,
    ...parts,
  };
}

/**
 * @throws Problem `query-invalid` that names the field.
 */
export function readStopLift(
  fields: Readonly<Record<string, unknown>>,
): Omit<SignedFields<'lift'>, 'review'> & { readonly lift: StopLiftRequest } {
  const { stop } = fields;
  if (typeof stop !== 'string' || stop === '' || stop.length > 100) {
    throw new Problem('query-invalid', 'stop: expected the id of the stop that is in force');
  }
  const { investigated, userName, password } = readInvestigated(fields);
  return { lift: { stopId: stop, ...investigated }, userName, password };
}
