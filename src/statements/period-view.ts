import type { JsonValue } from '../formats/canonical-json.js';
import { Problem } from '../problem-details.js';
import type { PeriodRefusal } from '../reconciliation/period-rules.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import { mustBeSigned, type NotSigned } from './review-answer.js';

/** A period, or an open addendum of one, as it would be signed now. */
export interface PeriodProposal {
  readonly subject: SignatureSubject;
  /** What `periodDocument`, or `addendumDocument`, makes. */
  readonly document: Readonly<Record<string, JsonValue>>;
  /** SHA-256 that the signer names. */
  readonly sha256: string;
}

export interface ClosingRequest {
  /** SHA-256 of what the signer was shown. */
  readonly shownSha256: string;
  readonly reason: string;
}

export type ClosingAnswer =
  | { readonly kind: 'closed'; readonly id: string; readonly signature: Signature }
  | ({ readonly kind: 'not-closable' } & PeriodRefusal)
  | NotSigned;

/**
 * Goes on only with a period or an addendum that was closed.
 *
 * @throws Problem that says why nothing was
 */
export function mustBeClosed(
  answer: ClosingAnswer,
): asserts answer is Extract<ClosingAnswer, { kind: 'closed' }> {
  if (answer.kind === 'not-closable') {
    throw new Problem('period-refused', answer.message, { rule: answer.rule });
  }
  if (answer.kind === 'unknown') {
    throw new Problem('not-found', 'no open addendum has this number');
  }
  mustBeSigned(answer, '');
}
