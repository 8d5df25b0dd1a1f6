import type { Refused } from '../signatures/judge-signing.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import type { BundleCase, BundleRefusal } from './bundle-refusal.js';
import type { ShownSignature } from './review-view.js';

/** A bundle that is held, in a list. */
export interface HeldBundle {
  readonly rowId: string;
  readonly bundleId: string | null;
  readonly instrument: string | null;
  /** RFC 3339 in UTC. */
  readonly receivedAt: string;
  readonly heldBy: readonly string[];
}

/** One bundle as a signer is shown it. */
export interface BundleReviewView {
  readonly about: BundleCase;
  readonly refuse: BundleRefusal;
  /** What is signed, and the SHA-256 of its RFC 8785 form that a signer names. */
  readonly shown: ShownDocument;
  readonly sha256: string;
  readonly signatures: readonly ShownSignature[];
}

export type BundleReviewAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | { readonly kind: 'unknown' }
  | { readonly kind: 'not-proven'; readonly why: string }
  | Refused;
