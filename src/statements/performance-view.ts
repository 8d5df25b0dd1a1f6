import type { BandRun } from '../checks/performance-run.js';
import type { Decimal } from '../formats/decimal.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { ReviewOption } from './review-option.js';
import type { ShownSignature } from './review-view.js';

/** One band of one standard on one instrument, over time. */
export interface PeakTrend {
  readonly standard: string;
  /** cm-1. */
  readonly expected: Decimal;
  /** Latest limits it was judged by, cm-1. */
  readonly tolerance: Decimal;
  readonly action: Decimal;
  readonly warning: Decimal;
  /** Oldest first. */
  readonly points: readonly TrendPoint[];
  /** Of the straight line by least squares through the deviations, cm-1 a day; null below three points or within less than a day. */
  readonly slopePerDay: string | null;
  /** Of the latest point. */
  readonly state: TrendState;
  /** How many checks in a row lie on one side of the centre; null where the site looks at none, or the latest lies on it. */
  readonly run: BandRun | null;
}

export type TrendState = 'within' | 'warning' | 'action' | 'out';

export interface TrendPoint {
  readonly checkId: string;
  /** RFC 3339 in UTC. */
  readonly checkedAt: string;
  readonly observed: Decimal;
  /** Observed less expected, cm-1, with its sign. */
  readonly deviation: string;
  readonly state: TrendState;
}

/** The band of one check that used up most of its tolerance, cm-1. */
export interface WorstDeviation {
  readonly expected: Decimal;
  /** Observed less expected, with its sign. */
  readonly deviation: string;
  readonly tolerance: Decimal;
  readonly state: TrendState;
}

export interface ShownCheck {
  readonly rowId: string;
  readonly checkId: string;
  readonly epoch: number;
  readonly run: number;
  /** RFC 3339 in UTC. */
  readonly checkedAt: string;
  readonly standard: string;
  readonly reported: 'pass' | 'fail';
  readonly verdict: 'pass' | 'fail' | 'void';
  /** null where no band was judged. */
  readonly worst: WorstDeviation | null;
  /** Of a failed one: whether its cause is signed. */
  readonly isCauseSigned: boolean;
  /** Who signed the cause of a failed one, and why; null as long as nobody did. */
  readonly cause: { readonly by: string; readonly at: string; readonly reason: string } | null;
}

/** A check with what somebody signs of why it failed; times are RFC 3339 in UTC. */
export interface PerformanceCauseView
  extends Pick<
    ShownCheck,
    'rowId' | 'checkId' | 'epoch' | 'run' | 'checkedAt' | 'standard' | 'verdict'
  > {
  readonly instrument: string;
  /** Checks behind it, by run, up to the next pass on its standard. */
  readonly followed: readonly Pick<
    ShownCheck,
    'checkId' | 'run' | 'checkedAt' | 'standard' | 'verdict'
  >[];
  /** Receipts with results that it leaves in doubt. */
  readonly receipts: readonly string[];
  readonly cause: ReviewOption;
  readonly shown: ShownDocument;
  readonly sha256: string;
  readonly signatures: readonly ShownSignature[];
}

/** An instrument as the site registers it and as it was heard; times are RFC 3339 in UTC. */
export interface ShownInstrument {
  readonly serial: string;
  /** null for one that is heard and not registered. */
  readonly registered: {
    readonly model: string;
    readonly area: string;
    readonly inService: boolean;
    /** null: since ever. */
    readonly inServiceSince: string | null;
    readonly outOfService: readonly {
      readonly from: string;
      /** Exclusive; null while it is not back. */
      readonly to: string | null;
      readonly decision: string;
    }[];
  } | null;
  /** Up to when an accepted bundle speaks for it; null: never heard. */
  readonly heardAt: string | null;
}

export interface ListedInstrument extends ShownInstrument {
  readonly latest: ShownCheck | null;
}

export interface ShownPerformance extends ShownInstrument {
  /** Oldest first; the latest five hundred. */
  readonly checks: readonly ShownCheck[];
  readonly trend: readonly PeakTrend[];
  readonly caution: string;
}
