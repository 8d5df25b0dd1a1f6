import type { Environment } from '../site/vocabulary.js';

/** What a message about a closed period says: the close itself, or what was signed about it later. */
export type PeriodMessageKind = 'close' | 'addendum';
export const PERIOD_MESSAGE_KINDS: readonly PeriodMessageKind[] = ['close', 'addendum'];

/** A discrepancy as the signed document names it. */
export interface PeriodDiscrepancy {
  readonly id: string;
  readonly class: string;
  readonly subject: string;
  readonly detail: string;
  readonly owner: string;
  /** RFC 3339 in UTC, as every instant of the record. */
  readonly openedAt: string;
}

export interface PeriodRecordCounts {
  readonly receipts: number;
  readonly expectedContainers: number;
  readonly measuredContainers: number;
  readonly acceptedResults: number;
  readonly heldResults: number;
  readonly refusedResults: number;
  readonly supersededResults: number;
  readonly heldBundles: number;
  readonly refusedBundles: number;
  readonly deliveredResults: number;
  readonly confirmedResults: number;
  readonly byDestination: readonly {
    readonly destination: string;
    readonly delivered: number;
    readonly confirmed: number;
  }[];
}

/**
 * The canonical record of a closed period for its destinations. Revision 1 is the close, revision n + 1 its addendum
 * n; the same rows give the same record at any time. It says what was counted and signed, and permits nothing. Lists
 * end after `PERIOD_LISTED_MAX`; the totals count all, and `sha256` is of the whole document that was signed.
 */
export interface PeriodRecord {
  readonly schema: 'drumline-period-close';
  readonly version: '1.0';
  readonly site: string;
  readonly environment: Environment;
  readonly simulated: boolean;
  /** IANA name: days are days of this zone, 23 to 25 hours long. */
  readonly timeZone: string;
  readonly periodId: string;
  readonly revision: number;
  readonly kind: PeriodMessageKind;
  /** Number of the addendum; null for the close. */
  readonly addendum: number | null;
  /** By measured time. */
  readonly from: string;
  /** Exclusive. */
  readonly to: string;
  readonly closedAt: string;
  /** The signer's name as it is printed with the signature. */
  readonly closedBy: string;
  readonly signatureId: string;
  readonly reason: string;
  /** SHA-256 of the document that this signature covers. */
  readonly sha256: string;
  /** SHA-256 of the document that the close signed; the same as `sha256` for the close. */
  readonly closeSha256: string;
  /** As they were when the period was closed. */
  readonly counts: PeriodRecordCounts;
  readonly stops: number;
  /** Of the close: open at its end and still open when it was signed. Empty for an addendum. */
  readonly carriedOver: readonly PeriodDiscrepancy[];
  readonly carriedOverCount: number;
  /** Of the close: open at its end and closed by evidence before it was signed. */
  readonly resolvedCount: number;
  /** Of an addendum: what changed since, in words. Empty for the close. */
  readonly changes: readonly { readonly at: string; readonly detail: string }[];
  readonly changesCount: number;
}

/** Most entries of one list of the record. */
export const PERIOD_LISTED_MAX = 500;
