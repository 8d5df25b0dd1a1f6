import type { JsonValue } from '../formats/canonical-json.js';
import type { PeriodRefusal } from '../reconciliation/period-rules.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import { type NotSigned, type ReviewProblem, reviewProblem } from './review-answer.js';

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

/** What is told to whoever asked for a close that was not made; null when it was. */
export function closingProblem(answer: ClosingAnswer): ReviewProblem | null {
  switch (answer.kind) {
    case 'closed':
      return null;
    case 'not-closable':
      return {
        code: 'period-refused',
        detail: answer.message,
        extensions: { rule: answer.rule },
      };
    case 'unknown':
      return { code: 'not-found', detail: 'no open addendum has this number', extensions: {} };
    default:
      return reviewProblem(answer, '');
  }
}
