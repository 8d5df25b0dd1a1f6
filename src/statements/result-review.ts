import { againstClearing } from '../checks/clearance.js';
import type { JsonValue } from '../formats/canonical-json.js';
import { doesDisagree } from '../receipts/lineage.js';
import type { ShownDocument, Validity } from '../signatures/shown-document.js';
import type { BundleState, ResultRow, ResultState } from '../storage/tables.js';
import { recheckAnswerOf } from './facts-from-rows.js';
import type { ReviewOption } from './review-option.js';
import { type ReviewedParts, reviewedRecord } from './reviewed-record.js';

export type ReviewAct = 'clear' | 'refuse';

/** Another result under the same id, or one that a review takes along. */
export interface OtherResult {
  readonly rowId: string;
  readonly resultId: string;
  readonly state: ResultState;
  readonly contrary: boolean;
  readonly decision: string | null;
  readonly receiptId: string | null;
  readonly container: string | null;
  /** Who measured it, as the instrument reported. */
  readonly operator: string | null;
  readonly elementSha256: string;
  /** Destinations that got it or may have, withdrawn there or not. */
  readonly reachedAt: readonly string[];
}

/** Everything a review of one result depends on, as of now. */
export interface ReviewCase {
  readonly parts: ReviewedParts & { readonly result: ResultRow };
  readonly bundleState: BundleState;
  /** Of the signature that reviewed it last; null when nobody did. */
  readonly reviewed: Validity | null;
  /** Other rows of the same result id. */
  readonly sameId: readonly OtherResult[];
  /** Results that stand and supersede this one by their own word. */
  readonly supersededBy: readonly string[];
  /** Results that stand and that this one would supersede once it does. */
  readonly supersedes: readonly OtherResult[];
  /** Destinations that hold it or may hold it. */
  readonly heldAt: readonly string[];
  /** Destinations that results are sent to. */
  readonly sentTo: readonly string[];
}

export type ReviewOptions = Readonly<Record<ReviewAct, ReviewOption>>;

/** What a reviewer may do about a result. */
export function reviewOptions(about: ReviewCase): ReviewOptions {
  return {
    clear: option(againstClear(about), clearEffects(about)),
    refuse: option(againstRefuse(about), refuseEffects(about)),
  };
}

function option(because: readonly string[], effects: readonly string[]): ReviewOption {
  const possible = because.length === 0;
  return { possible, because, effects: possible ? effects : [] };
}

/** Held, or reviewed by a signature that is void by now. */
export function waitsForReview({ parts, reviewed }: ReviewCase): boolean {
  const { state } = parts.result;
  return state === 'held' || reviewed?.kind === 'void';
}

function againstClear(about: ReviewCase): string[] {
  const { result, findings } = about.parts;
  if (!waitsForReview(about) || (result.state !== 'held' && result.state !== 'accepted')) {
    return [`it is ${result.state}, there is nothing to clear`];
  }
  const holding = findings.filter((f) => f.severity === 'hold');
  const against = againstClearing({
    contrary: result.contrary === 1,
    recheck: recheckAnswerOf(result.recheck),
    hasRecord: result.record !== null,
    bundleHeldBy:
      about.bundleState === 'accepted'
        ? []
        : holding.filter((f) => f.result_row_id === null).map((f) => f.code),
    heldBy: holding.filter((f) => f.result_row_id !== null).map((f) => f.code),
  });
  if (about.bundleState !== 'accepted' && against.length === 0) {
    against.push(`its bundle is ${about.bundleState}`);
  }
  for (const other of about.sameId) {
    if (other.state === 'accepted' || other.state === 'superseded') {
      against.push(`another result of its id is ${other.state}: one id stands for one result`);
    } else if (other.reachedAt.length > 0) {
      against.push(`another result of its id was sent to ${other.reachedAt.join(' and ')} before`);
    }
  }
  if (about.supersededBy.length > 0 && result.contrary === 0) {
    against.push(`the operator superseded it by ${about.supersededBy.join(' and ')}`);
  }
  return against;
}

function clearEffects(about: ReviewCase): string[] {
  const { result } = about.parts;
  const held = about.sameId.filter((o) => o.state === 'held');
  return [
    result.state === 'held'
      ? 'it is accepted'
      : 'it stays accepted, under a signature that is valid',
    ...(result.contrary === 1
      ? [`it stays contrary (${result.decision ?? 'unreadable'}) and counts against its receipt`]
      : []),
    ...(result.receipt_id === null ? ['it belongs to no receipt and covers nothing'] : []),
    ...(about.sentTo.length > 0 ? [`it is sent to ${about.sentTo.join(' and ')}`] : []),
    ...held.map((o) => `the other result of its id (${o.rowId}) is refused`),
    ...about.supersedes.map((o) => `it supersedes ${o.resultId}`),
  ];
}

function againstRefuse(about: ReviewCase): string[] {
  const { state } = about.parts.result;
  if (state === 'held' || state === 'accepted') return [];
  const stands = state === 'superseded' && about.reviewed === null;
  return !stands && about.reviewed?.kind !== 'valid'
    ? []
    : [`it is ${state}, there is nothing to refuse`];
}

function refuseEffects({ parts, heldAt }: ReviewCase): string[] {
  const contrary = parts.result.contrary === 1;
  return [
    'it stays visible and counted, and covers nothing',
    ...(contrary ? ['it stays contrary and counts against its receipt'] : []),
    ...(doesDisagree(parts.result.recheck) ? ['the disagreement of its recheck counts on'] : []),
    ...(heldAt.length > 0
      ? [
          `it is withdrawn at ${heldAt.join(' and ')}`,
          'its receipt is stopped if it conforms, also where another pass covers',
        ]
      : []),
  ];
}

/** What a reviewer is shown of a result and signs, with what each act would do. */
export function reviewDocument(about: ReviewCase): ShownDocument {
  const { clear, refuse } = reviewOptions(about);
  const context: JsonValue = {
    state: about.parts.result.state,
    bundleState: about.bundleState,
    sameId: about.sameId.map(otherJson),
    supersedes: about.supersedes.map(otherJson),
    clear: optionJson(clear),
    refuse: optionJson(refuse),
  };
  return { ...reviewedRecord(about.parts), context };
}

/** What clearing does to others is signed with what they are: whose, of what, and how they were decided. */
function otherJson({ reachedAt: _, ...other }: OtherResult): JsonValue {
  return other;
}

/** Rows, other than its own, that clearing a result takes: those refused beside it, and those that it supersedes. */
export function takenByClearing(about: ReviewCase): readonly OtherResult[] {
  return [...about.sameId.filter((o) => o.state === 'held'), ...about.supersedes];
}

function optionJson({ possible, because, effects }: ReviewOption): JsonValue {
  return { possible, because: [...because], effects: [...effects] };
}
