import type { Substance } from './published-shifts.js';

/** A day as somebody who knows everything would tell it: what arrives, what is really inside, who does what. */
export interface Story {
  readonly receipts: readonly StoryReceipt[];
  readonly steps: readonly StoryStep[];
  /** Open discrepancies that must stand at the end, one each. */
  readonly discrepancies: readonly ExpectedDiscrepancy[];
}

export interface StoryReceipt {
  readonly id: string;
  readonly scanText: string;
  readonly material: string;
  readonly manufacturer: string;
  readonly supplier: string;
  readonly supplierLot: string;
  readonly siteLot: string;
  readonly area: string;
  readonly drums: readonly StoryDrum[];
  /** How many drums its sampling plan must ask for: all of them unless told otherwise. */
  readonly sampled: number;
  /** What must be said of it at the end. */
  readonly expected: 'conforms' | 'does-not-conform' | 'incomplete';
  /**
   * A stop must have gone out: it conformed once. `either`: whether it did is a matter of who was first. It is one for a
   * contrary result where the receipt does not conform, else one for a doubt.
   */
  readonly expectsStop: boolean | 'either';
  /** Why, in a sentence, for the summary. */
  readonly because: string;
}

export interface StoryDrum {
  readonly label: string;
  /** What was in it when it arrived. */
  readonly holds: Substance;
}

export type StoryStep =
  | { readonly do: 'say'; readonly text: string }
  | { readonly do: 'check'; readonly serial: string }
  | {
      readonly do: 'measure';
      readonly serial: string;
      /** Label of the drum the laser really meets. */
      readonly drum: string;
      /** Label the operator presents; the drum's own unless told otherwise. */
      readonly presents?: string;
      readonly operator: string;
      /** The stand-in LIMS refuses the result: declared beforehand, so that its books can be judged. */
      readonly refusedByLims?: true;
    }
  /** Measures the containers that the gateway's sampling plan chose. */
  | {
      readonly do: 'measure-chosen';
      readonly serial: string;
      readonly receipt: string;
      readonly operator: string;
    }
  | {
      readonly do: 'sync';
      readonly serial: string;
      /** twice: the same bytes again; spoilt: a byte changed on the way; lost: never handed over. */
      readonly how: 'once' | 'twice' | 'spoilt' | 'lost';
    }
  /** Somebody puts other content into a drum. */
  | { readonly do: 'change'; readonly drum: string; readonly holds: Substance }
  /** Waits until syncs count as later than what was measured. */
  | { readonly do: 'wait-margin' }
  | { readonly do: 'wait-released'; readonly receipt: string }
  | { readonly do: 'wait-blocked'; readonly receipt: string }
  | { readonly do: 'wait-issued'; readonly receipt: string };

export interface ExpectedDiscrepancy {
  readonly class: string;
  /** Texts its subject or detail must hold, all of them. */
  readonly mentions: readonly string[];
}

/** What a drum held from a moment on (RFC 3339 UTC). */
export interface DrumPhase {
  readonly from: string;
  readonly holds: Substance;
}

/** One measurement as the simulation knows it, beside what became of it on the way. */
export interface MeasuredResult {
  readonly resultId: string;
  readonly serial: string;
  readonly runNumber: number;
  readonly receiptId: string;
  readonly receiptScan: string;
  readonly containerScan: string;
  readonly material: string;
  readonly lot: string;
  readonly methodId: string;
  readonly methodVersion: string;
  readonly operatorId: string;
  readonly measuredAt: string;
  readonly decision: string;
  readonly score: string | null;
  readonly threshold: string | null;
  /** Label of the drum that was really measured. */
  readonly drum: string;
  readonly refusedByLims: boolean;
  /** unsynced: still on the handheld; arrived: handed over whole; spoilt: handed over changed; lost: gone. */
  fate: 'unsynced' | 'arrived' | 'spoilt' | 'lost';
  /** When the gateway's acknowledgement had come; null without one. */
  acknowledgedAt: string | null;
  /** Under which revisions it was to be sent, from the first on. Left out: once, as it was measured, and it stands. */
  readonly revisions?: readonly SentRevision[];
  /** When the act that took its first revision back was acknowledged (RFC 3339 UTC). */
  readonly takenBackAt?: string;
}

/** A result has more than one revision where somebody took it back or moved it. */
export interface SentRevision {
  /** Receipt it belonged to under this revision. */
  readonly receiptId: string;
  /** It was taken back: a destination that has got it is told so by a withdrawal. */
  readonly isTakenBack: boolean;
}

/** Material codes of Northquay and what the simulation puts into a drum of each. */
export const SUBSTANCE_OF: Readonly<Record<string, Substance>> = {
  'NQ-1001': 'paracetamol',
  'NQ-1002': 'naphthalene',
  'NQ-1003': 'cyclohexane',
  'NQ-1004': 'sulfur',
};
