import type { JsonValue } from '../formats/canonical-json.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { ReceiptLinkKind } from '../storage/tables.js';
import type { NotSigned } from './review-answer.js';
import type { ReviewOption } from './review-option.js';
import { REASON_MAX, readSignedText } from './review-request.js';
import type { ShownSignature } from './review-view.js';

/** A receipt that containers came from, as who answers for it is shown it. */
export interface ShownOrigin {
  readonly receiptId: string;
  readonly kind: ReceiptLinkKind;
  readonly reason: string;
  /** Of its statement when they went; null when none was stored. */
  readonly outcome: string | null;
  readonly hadStop: boolean;
  /** A second person had refused its statement. */
  readonly refused: boolean;
  /** The recheck had disagreed with a result that it had. */
  readonly disagreed: boolean;
  /** Results that spoke against it when they went. */
  readonly contraryThen: number;
  /** Results that speak against it now, there or at what went on from it. */
  readonly contraryNow: number;
  readonly rejected: readonly { readonly receiptId: string; readonly container: string }[];
  /** Act that answers for it; null while there is none. */
  readonly signatureId: string | null;
}

/** What the containers of a receipt came from, what signing for it does, and who has. */
export interface OriginView {
  readonly receiptId: string;
  readonly origins: readonly ShownOrigin[];
  readonly sign: ReviewOption;
  readonly shown: ShownDocument;
  readonly sha256: string;
  /** In the order they were made. */
  readonly signatures: readonly ShownSignature[];
}

export interface OriginReviewRequest {
  /** SHA-256 of the document the signer was shown. */
  readonly shownSha256: string;
  readonly reason: string;
}

export type OriginReviewAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | NotSigned;

/** Whether somebody may answer for what these were when containers went. */
export function originOption(origins: readonly ShownOrigin[]): ReviewOption {
  const open = origins.filter(isOpen);
  if (open.length === 0) {
    const because = origins.some((o) => o.signatureId === null)
      ? ['no signed act answers for a merge: it conforms only if every part stood well']
      : ['nothing it came from waits for a signed act'];
    return { possible: false, because, effects: [] };
  }
  const names = open.map(({ receiptId, kind }) => `${receiptId} (${kind})`).join(', ');
  return {
    possible: true,
    because: [],
    effects: [
      `what is listed of ${names} holds this receipt up no more`,
      'it is judged by what is measured of its own containers',
      'what comes to one of those later speaks against it again, and no second act answers for that',
    ],
  };
}

/** True where an act may still answer for it. */
export function isOpen({ signatureId, kind }: Pick<ShownOrigin, 'signatureId' | 'kind'>): boolean {
  return signatureId === null && kind !== 'merged';
}

/** What an act answers for: these as they were when containers went, which never changes. */
export function originRecord(
  subject: SignatureSubject,
  answeredFor: readonly ShownOrigin[],
): Pick<ShownDocument, 'subject' | 'record'> {
  const record: JsonValue = {
    origins: answeredFor.map((origin) => ({
      receiptId: origin.receiptId,
      kind: origin.kind,
      reason: origin.reason,
      outcome: origin.outcome,
      hadStop: origin.hadStop,
      refused: origin.refused,
      disagreed: origin.disagreed,
      contraryThen: origin.contraryThen,
    })),
  };
  return { subject: { ...subject }, record };
}

/** What is signed, with what stands there now. */
export function originDocument(
  subject: SignatureSubject,
  origins: readonly ShownOrigin[],
): ShownDocument {
  const context: JsonValue = origins.map(({ receiptId, contraryNow, rejected, signatureId }) => ({
    receiptId,
    contraryNow,
    rejected: rejected.map((rejection) => ({ ...rejection })),
    signatureId,
  }));
  return { ...originRecord(subject, origins.filter(isOpen)), context };
}

/**
 * An act as it is asked for, with what proves its signer.
 *
 * @throws Problem `query-invalid` that names the field
 */
export function readOriginReview(fields: Readonly<Record<string, unknown>>): {
  readonly request: OriginReviewRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const { shownSha256, text, userName, password } = readSignedText(fields, 'reason', REASON_MAX);
  return { request: { shownSha256, reason: text }, userName, password };
}
