import type { MeasuredBy } from '../access/duties.js';
import type { JsonValue } from '../formats/canonical-json.js';
import { type ShownDocument, validityOf } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import type { Environment } from '../site/vocabulary.js';
import { outcomeOf, type StatementDraft } from './evaluate-statement.js';
import type { ReviewOption } from './review-option.js';
import { type StatementEvidence, statementValidity } from './statement-evidence.js';

/** Approve what the statement rests on, or refuse to. */
export type ReceiptReviewAct = 'sign' | 'refuse';
export const RECEIPT_REVIEW_ACTS: readonly ReceiptReviewAct[] = ['sign', 'refuse'];

/** A statement as of now, before a second person signs about it. */
export interface ReceiptReviewCase {
  readonly receiptId: string;
  readonly draft: StatementDraft;
  readonly evidence: StatementEvidence;
  /** Revision that the latest stored statement has; 0 before the first. */
  readonly revision: number;
  readonly environment: Environment;
  /** Destinations that are told of statements. */
  readonly toldTo: readonly string[];
  /** Under which ids its results were reported, and whose these are. */
  readonly measuredBy: readonly MeasuredBy[];
  /** Every signature about the statement so far, in the order they were made. */
  readonly signatures: readonly Signature[];
}

export type ReceiptReviewOptions = Readonly<Record<ReceiptReviewAct, ReviewOption>>;

/** What a reviewer may do about a statement, why not, and what it would do. */
export function receiptReviewOptions(about: ReceiptReviewCase): ReceiptReviewOptions {
  return {
    sign: option(againstSigning(about), [
      'the second person has signed, and the statement conforms',
      `${about.toldTo.join(' and ') || 'nobody'} is told`,
    ]),
    refuse: option(againstRefusing(about), [
      'the statement stays incomplete until somebody signs after this',
      ...(about.draft.outcome === 'conforms' ? ['the receipt is suspended, by a stop'] : []),
    ]),
  };
}

function option(because: readonly string[], effects: readonly string[]): ReviewOption {
  const possible = because.length === 0;
  return { possible, because, effects: possible ? effects : [] };
}

/** Nobody approves what does not hold yet: all but the second person has to. */
function againstSigning({ draft, environment, signatures, evidence }: ReceiptReviewCase): string[] {
  const last = signatures.at(-1);
  if (last?.meaning === 'approved' && statementValidity(last, evidence).kind === 'valid') {
    return [`${last.printedName} has signed it`];
  }
  const assumed = draft.conditions.map((c) =>
    c.code === 'second-person' ? { ...c, state: 'met' as const } : c,
  );
  if (outcomeOf(assumed, environment) === 'conforms') return [];
  const excused = environment === 'production' ? [] : ['not-evaluated'];
  return assumed
    .filter((c) => c.state !== 'met' && !excused.includes(c.state))
    .map((c) => `${c.code} is ${c.state}: ${c.found}`);
}

function againstRefusing({ signatures, evidence }: ReceiptReviewCase): string[] {
  const last = signatures.at(-1);
  return last?.meaning === 'refused' && validityOf(last, evidence).kind === 'valid'
    ? [`${last.printedName} has refused it`]
    : [];
}

/**
 * What signing says beside the statement. An instrument names whoever it likes, and operators need no account, so nobody but
 * the signer can say that none of the names is theirs. It stands beside the record: a signature from before it stays valid.
 */
export const DECLARED = 'I am none of those under whose ids or names these results were measured.';

/** What a reviewer is shown of a statement and signs. Earlier signatures are part of it, refusals too. */
export function receiptReviewDocument(about: ReceiptReviewCase): ShownDocument {
  const { sign, refuse } = receiptReviewOptions(about);
  const context: JsonValue = {
    outcome: about.draft.outcome,
    measuredBy: about.measuredBy.map(({ operator, belongsTo }) => ({ operator, belongsTo })),
    declared: DECLARED,
    found: about.draft.conditions.map(({ code, state, found }) => ({ code, state, found })),
    signatures: about.signatures.map(({ id, meaning, printedName, reason }) => ({
      id,
      meaning,
      printedName,
      reason,
    })),
    sign: optionJson(sign),
    refuse: optionJson(refuse),
  };
  return { ...about.evidence, context };
}

function optionJson({ possible, because, effects }: ReviewOption): JsonValue {
  return { possible, because: [...because], effects: [...effects] };
}
