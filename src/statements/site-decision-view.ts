import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature, SignatureManifest } from '../signatures/signature.js';
import type { DecisionEffect, DecisionStanding } from './decision-effects.js';
import type { NotSigned } from './review-answer.js';

/** A decision and how it stands. */
export interface SiteDecisionSummary {
  readonly id: string;
  readonly rule: string;
  readonly decidedBy: string;
  /** Calendar day, `YYYY-MM-DD`. */
  readonly date: string;
  readonly reason: string;
  readonly state: 'unsigned' | 'signed' | 'void';
  readonly standing: DecisionStanding;
  /** What it asks less of than without it, each once. */
  readonly loosens: readonly string[];
  /** The latest signature, whether it holds or not; null while nobody signed. */
  readonly signature: SignatureManifest | null;
  /** JSON Pointers of what reads differently than it was signed. */
  readonly changed: readonly string[];
}

/** What a signature of a decision would be of. */
export interface SiteDecisionView extends SiteDecisionSummary {
  /** What rests on it, in words. */
  readonly effects: readonly DecisionEffect[];
  readonly shown: ShownDocument;
  readonly sha256: string;
}

export interface DecisionSigning {
  readonly shownSha256: string;
  readonly reason: string;
}

export type DecisionAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly decision: SiteDecisionSummary;
    }
  | NotSigned;
