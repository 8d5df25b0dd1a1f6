import type { EarlierReview, ReviewedTrail, ReviewRange } from '../audit/trail-review.js';
import type { Refused } from '../signatures/judge-signing.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';

/** A range as a reviewer signs it. */
export interface TrailReviewView {
  readonly shown: ShownDocument & { readonly record: ReviewedTrail };
  readonly sha256: string;
}

/** What there is to review, and what was reviewed before. */
export interface TrailReviewList {
  /** null when nothing was sealed since the last review. */
  readonly due: ReviewRange | null;
  readonly sealed: number;
  readonly faults: readonly string[];
  /** The latest first. */
  readonly reviews: readonly EarlierReview[];
}

export type TrailReviewAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature; readonly range: ReviewRange }
  | { readonly kind: 'unknown' }
  | { readonly kind: 'not-proven'; readonly why: string }
  | Refused;
