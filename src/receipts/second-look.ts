import type { ReceiptLine } from './expectation-line.js';
import type { HandDraft, HandField, ReadOtherwise } from './hand-draft.js';

/** What a person sees before anything is saved. */
export interface SecondLook {
  /** Digest of all that saving would announce: only that is saved. */
  readonly sha256: string;
  readonly outcome: 'new' | 'completed' | 'changed' | 'unchanged';
  readonly line: ReceiptLine;
  /** The same as a person would write it. */
  readonly kept: HandDraft;
  readonly changed: readonly {
    readonly name: HandField;
    readonly from: string;
    readonly to: string;
  }[];
  readonly added: readonly string[];
  readonly removed: readonly string[];
  readonly otherwise: readonly ReadOtherwise[];
  /** Different labels that a person could take for one another. */
  readonly alike: readonly (readonly string[])[];
  /** Labels that other open receipts list too. */
  readonly elsewhere: readonly { readonly label: string; readonly receiptId: string }[];
  /** Containers that were scanned for this receipt and are not in the list. */
  readonly scannedOnly: readonly { readonly scanned: string; readonly hint: string }[];
  /** Results that would belong to it at once. */
  readonly linkedResults: number;
  readonly keptBack: readonly string[];
  /** null: the site has none for this material. */
  readonly plan: { readonly kind: string; readonly decision: string } | null;
  readonly required: number;
}
