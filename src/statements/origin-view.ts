import type { JsonValue } from '../formats/canonical-json.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { ReceiptLinkKind } from '../storage/tables.js';
import type { OriginRejection } from './facts.js';
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
  /** A contrary result was of it, and went to one of its parts. */
  readonly hadContrary: boolean;
  /** Results that spoke against it when they went. */
  readonly contraryThen: number;
  /** Row ids of the results that speak against it now, there or at what went on from it. */
  readonly against: readonly string[];
  readonly rejected: readonly Pick<OriginRejection, 'id' | 'receiptId' | 'container'>[];
  /** Ids of the signatures that refuse its statement now, there or of what it went on as. */
  readonly refusals: readonly string[];
  /** Act that answers for it; null while there is none. */
  readonly signatureId: string | null;
  /** Something came to it, or was rejected or refused there, that the act knew nothing of. */
  readonly hasNews: boolean;
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
      'what comes to one of those later speaks against it again, until somebody signs for that too',
    ],
  };
}

/** True where an act may answer for it, or for what came since one did. */
export function isOpen({
  signatureId,
  kind,
  hasNews,
}: Pick<ShownOrigin, 'signatureId' | 'kind' | 'hasNews'>): boolean {
  return kind !== 'merged' && (signatureId === null || hasNews);
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
      // Left out of what was signed before it was looked at.
      ...(origin.hadContrary ? { hadContrary: true } : {}),
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
  const context: JsonValue = origins.map((origin) => ({
    receiptId: origin.receiptId,
    against: [...origin.against],
    rejected: origin.rejected.map((rejection) => ({ ...rejection })),
    refusals: [...origin.refusals],
    signatureId: origin.signatureId,
  }));
  return { ...originRecord(subject, origins.filter(isOpen)), context };
}

/**
 * What was known of each source when an act was signed: ids of results, rejections and refusals.
 *
 * @param shown text of an `originDocument`
 */
export function knownWhenSigned(
  shown: string,
): { readonly receiptId: string; readonly ids: readonly string[] }[] {
  const { context } = JSON.parse(shown) as {
    readonly context:
      | readonly (Pick<ShownOrigin, 'receiptId' | 'against' | 'rejected'> &
          // Acts of earlier versions were shown none.
          Partial<Pick<ShownOrigin, 'refusals'>>)[]
      | null;
  };
  return (context ?? []).map(({ receiptId, against, rejected, refusals = [] }) => ({
    receiptId,
    ids: [...against, ...rejected.map(({ id }) => id), ...refusals],
  }));
}

/** The sources that an act answered for, among those of its receipt. */
export function answeredBy(shown: string, origins: readonly ShownOrigin[]): ShownOrigin[] {
  const { record } = JSON.parse(shown) as {
    readonly record: { readonly origins: readonly Pick<ShownOrigin, 'receiptId' | 'kind'>[] };
  };
  return record.origins.flatMap(
    ({ receiptId, kind }) =>
      origins.find((o) => o.receiptId === receiptId && o.kind === kind) ?? [],
  );
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
