import { Problem } from '../problem-details.js';
import { LABEL_LENGTH_MAX } from '../receipts/label.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import type { NotSigned } from './review-answer.js';
import type { ReviewOption } from './review-option.js';
import { readInvestigated } from './review-request.js';
import type { ShownSignature } from './review-view.js';

export interface RejectionRequest {
  readonly container: string;
  readonly shownSha256: string;
  readonly reason: string;
  readonly investigation: string;
}

export interface RejectionView {
  readonly receiptId: string;
  readonly container: string;
  readonly splitOffTo: string | null;
  readonly results: readonly string[];
  readonly reject: ReviewOption;
  readonly shown: ShownDocument;
  readonly sha256: string;
  /** In the order they were made; a void one rejects nothing. */
  readonly signatures: readonly ShownSignature[];
}

export type RejectionAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | NotSigned;

/**
 * A rejection as it is asked for, with what proves its signer.
 *
 * @throws Problem `query-invalid` that names the field
 */
export function readRejection(fields: Readonly<Record<string, unknown>>): {
  readonly request: RejectionRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const container = readContainerLabel(fields['container']);
  const { investigated, userName, password } = readInvestigated(fields);
  return { request: { container, ...investigated }, userName, password };
}

/** @throws Problem `query-invalid` when it is no label */
export function readContainerLabel(value: unknown): string {
  if (typeof value === 'string' && value.trim() !== '' && value.length <= LABEL_LENGTH_MAX) {
    return value;
  }
  const expected = `expected the label of a container, 1 to ${LABEL_LENGTH_MAX} characters`;
  throw new Problem('query-invalid', `container: ${expected}`);
}
