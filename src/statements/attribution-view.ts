import { formatInstant } from '../formats/instant.js';
import type { Refused } from '../signatures/judge-signing.js';
import { bindShown, type ShownDocument } from '../signatures/shown-document.js';
import type { Signature, SignatureManifest } from '../signatures/signature.js';
import type { AttributionRow, AttributionState } from '../storage/tables.js';
import {
  type AttributionAct,
  type AttributionCase,
  type AttributionOptions,
  attributionDocument,
  attributionOptions,
  type LabelEvidence,
} from './attribution.js';
import type { NotSigned } from './review-answer.js';

/** What somebody says about where a result belongs. */
export interface AttributionProposal {
  readonly receiptId: string;
  readonly seen: LabelEvidence;
  readonly reason: string;
}

export type ProposalAnswer =
  | { readonly kind: 'proposed'; readonly id: string }
  | { readonly kind: 'not-proven'; readonly why: string }
  | { readonly kind: 'unknown' }
  | Refused;

export type AttributionAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly state: AttributionState;
      /** Of the result, after the act. */
      readonly revision: number;
    }
  | NotSigned;

/** Where a result is, or is said to be. */
export interface AttributedPlace {
  readonly receiptId: string | null;
  readonly container: string | null;
}

/** One proposal, as lists and histories show it. */
export interface ShownAttribution {
  readonly id: string;
  readonly rowId: string;
  readonly state: AttributionState;
  /** Where the result was; of a proposal that waits, where it was when it was made. */
  readonly from: AttributedPlace;
  readonly to: { readonly receiptId: string; readonly container: string };
  readonly label: LabelEvidence;
  readonly reason: string;
  readonly proposedBy: string;
  /** RFC 3339 in UTC. */
  readonly proposedAt: string;
  /** Revision of the result that it made; null unless it was signed. */
  readonly revision: number | null;
  readonly signature: SignatureManifest | null;
}

export function shownAttribution(
  row: AttributionRow,
  signature: SignatureManifest | null,
): ShownAttribution {
  return {
    id: row.id,
    rowId: row.result_row_id,
    state: row.state,
    from: { receiptId: row.from_receipt, container: row.from_label },
    to: { receiptId: row.to_receipt, container: row.to_label },
    label: {
      receipt: row.seen_receipt,
      container: row.seen_container,
      lot: row.seen_lot,
      seenBy: row.seen_by,
    },
    reason: row.reason,
    proposedBy: row.proposed_name,
    proposedAt: formatInstant(row.proposed_at),
    revision: row.result_revision,
    signature,
  };
}

/** The place of a result as it is, with everything that was proposed and signed about it. */
export interface ResultPlaceView {
  readonly rowId: string;
  readonly resultId: string;
  readonly revision: number;
  readonly decision: string | null;
  readonly contrary: boolean;
  readonly operator: string | null;
  readonly scanned: {
    readonly receipt: string | null;
    readonly container: string | null;
    readonly lot: string | null;
  };
  readonly place: AttributedPlace;
  /** Whether the attribution it rests on still holds, and where not; null while the scan says whose it is. */
  readonly inForce: { readonly isValid: boolean; readonly changed: readonly string[] } | null;
  readonly attributions: readonly ShownAttribution[];
}

/** A proposal with what each act would do and what would be signed. */
export interface AttributionView {
  readonly attribution: ShownAttribution;
  readonly resultId: string;
  readonly decision: string | null;
  readonly contrary: boolean;
  readonly operator: string | null;
  readonly scanned: ResultPlaceView['scanned'];
  readonly place: AttributedPlace;
  readonly options: AttributionOptions;
  readonly shown: ShownDocument;
  readonly sha256: string;
}

export function attributionView(
  about: AttributionCase,
  signature: SignatureManifest | null,
): AttributionView {
  const { result, row } = about;
  const shown = attributionDocument(about);
  return {
    attribution: shownAttribution(row, signature),
    resultId: result.result_id,
    decision: result.decision,
    contrary: result.contrary === 1,
    operator: result.operator_id,
    scanned: {
      receipt: result.receipt_scanned,
      container: result.container_scanned,
      lot: result.lot,
    },
    place: { receiptId: result.receipt_id, container: result.container_label },
    options: attributionOptions(about),
    shown,
    sha256: bindShown(shown).sha256,
  };
}

export interface AttributionRequest {
  readonly act: AttributionAct;
  readonly shownSha256: string;
  readonly reason: string;
}
