import type { JsonValue } from '../formats/canonical-json.js';
import { type ShownDocument, type Validity, validityOf } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { ResultRow } from '../storage/tables.js';
import type { ReviewOption } from './review-option.js';
import { type ReviewedParts, reviewedRecord } from './reviewed-record.js';

/** One measurement of the container that a contrary result is of. */
export interface Attempt {
  readonly rowId: string;
  readonly resultId: string;
  readonly state: ResultRow['state'];
  readonly decision: string | null;
  readonly operator: string | null;
  readonly instrument: string | null;
  /** As reported. */
  readonly measuredAt: string | null;
}

/** A contrary result before somebody signs what caused it. */
export interface CauseCase {
  readonly parts: ReviewedParts & { readonly result: ResultRow };
  /** Every attempt on its container, whatever came of it, in the order they were stored. */
  readonly series: readonly Attempt[];
  /** Whether a cause is signed that holds; null when none was ever signed. */
  readonly signed: Validity | null;
}

export function causeSubject(result: Pick<ResultRow, 'id' | 'revision'>): SignatureSubject {
  return { kind: 'cause', id: result.id, revision: result.revision };
}

/** Whether a signature about the cause of a contrary result still holds: of the result as it is now. */
export function causeValidity(signature: Signature, parts: ReviewedParts): Validity {
  if (signature.meaning !== 'reviewed') return { kind: 'void', changed: [''] };
  return validityOf(signature, causeEvidence(parts));
}

/**
 * Whether an assignable cause may be signed (rule 12). It says of one attempt that it does not speak of the
 * material; every other contrary attempt on the container, inconclusive and aborted ones too, needs its own.
 */
export function causeOption({ parts, signed }: CauseCase): ReviewOption {
  const { result } = parts;
  const because: string[] = [];
  if (result.contrary !== 1) because.push('it is not contrary, there is nothing to explain');
  if (result.receipt_id === null || result.container_label === null) {
    because.push('it belongs to no container of a receipt: it is attributed first');
  }
  if (signed?.kind === 'valid') because.push('its cause is signed');
  if (because.length > 0) return { possible: false, because, effects: [] };
  return {
    possible: true,
    because: [],
    effects: [
      'it stays visible and stops contradicting its receipt',
      'its container is covered only by a pass of its own',
    ],
  };
}

export function causeDocument(about: CauseCase): ShownDocument {
  const { possible, because, effects } = causeOption(about);
  const context: JsonValue = {
    series: about.series.map((attempt) => ({ ...attempt })),
    cause: { possible, because: [...because], effects: [...effects] },
  };
  return { ...causeEvidence(about.parts), context };
}

function causeEvidence(parts: ReviewedParts): Pick<ShownDocument, 'subject' | 'record'> {
  return { subject: causeSubject(parts.result), record: reviewedRecord(parts).record };
}
