import type {
  ConditionState,
  StatementContainer,
  StatementOutcome,
} from '../records/statement-record.js';
import type { Environment } from '../site/vocabulary.js';

/** Everything the day page shows, in the words it shows; the page adds no rule of its own. */
export interface DayView {
  readonly site: SiteView;
  /** Calendar day in the site's zone, `YYYY-MM-DD`. */
  readonly day: string;
  readonly previous: string;
  readonly next: string;
  /** False for a day that is over, or still to come. */
  readonly isToday: boolean;
  /** When the figures were read. */
  readonly asOf: MomentView;
  readonly stages: readonly StageView[];
  readonly receipts: readonly ReceiptLineView[];
  /** Receipt lines of the day for which the page has no room. */
  readonly moreReceipts: number;
  readonly discrepancies: readonly DiscrepancyGroupView[];
}

export interface SiteView {
  readonly site: string;
  readonly title: string;
  readonly environment: Environment;
  readonly simulated: boolean;
  /** IANA name. */
  readonly timeZone: string;
}

/** One instant twice: for machines (RFC 3339, UTC) and for people (site zone, with its offset). */
export interface MomentView {
  readonly iso: string;
  readonly text: string;
}

export type StageKey =
  | 'expected'
  | 'measured'
  | 'accepted'
  | 'delivered'
  | 'confirmed'
  | 'statements';

/** One stage of the day: how many arrived, out of how many, and where the rest can be read. */
export interface StageView {
  readonly key: StageKey;
  readonly count: number;
  /** What `count` is out of; null where nothing is owed. */
  readonly of: number | null;
  /** What is counted, e.g. `containers`. */
  readonly unit: string;
  readonly note: string | null;
  readonly shortfalls: readonly ShortfallView[];
}

export interface ShortfallView {
  readonly count: number;
  readonly text: string;
  /** Fragment of the same page that lists them, e.g. `#class-held`. */
  readonly href: string;
}

export interface TileView {
  readonly label: string;
  readonly state: StatementContainer['state'];
}

export interface UnmetConditionView {
  readonly title: string;
  readonly state: ConditionState;
  readonly found: string;
}

export interface ReceiptLineView {
  readonly receiptId: string;
  readonly receiptNumber: string | null;
  readonly line: string | null;
  readonly material: string | null;
  readonly lot: string | null;
  readonly area: string | null;
  /** null while no statement was made. */
  readonly outcome: StatementOutcome | null;
  readonly revision: number | null;
  readonly stop: { readonly kind: 'suspend' | 'withdraw'; readonly reason: string } | null;
  /** Conditions that are not met, contradicted ones first, each with what was found. */
  readonly unmet: readonly UnmetConditionView[];
  /** Titles of further ones, for which the row has no room. */
  readonly unmetMore: readonly string[];
  readonly tiles: TileStripView;
}

/** Tiles of a receipt's containers; a long strip is cut, what needs a person comes first. */
export interface TileStripView {
  readonly shown: readonly TileView[];
  readonly more: number;
  readonly counts: Readonly<Record<StatementContainer['state'], number>>;
}

export interface DiscrepancyGroupView {
  /** Class of the discrepancies, also the fragment `class-<key>` on the page. */
  readonly key: string;
  readonly title: string;
  /** What a discrepancy of this class needs. */
  readonly remedy: string;
  /** All of the class. */
  readonly count: number;
  /** Of those, open past their service-time target. */
  readonly late: number;
  readonly lines: readonly DiscrepancyLineView[];
  readonly moreLines: number;
  /** Page that lists all of them. */
  readonly href: string;
}

/** What has one cause: one line, or its members where they are few. */
export interface DiscrepancyLineView {
  readonly title: string;
  readonly count: number;
  readonly late: number;
  /** Of the oldest. */
  readonly age: string;
  readonly href: string;
  readonly items: readonly DiscrepancyView[];
}

export interface DiscrepancyView {
  readonly href: string;
  readonly title: string;
  readonly subject: string;
  readonly receiptId: string | null;
  readonly container: string | null;
  readonly destination: string | null;
  readonly instrument: string | null;
  readonly detail: string;
  readonly owner: string;
  readonly openedAt: MomentView;
  readonly age: string;
  readonly targetAt: MomentView;
  readonly isLate: boolean;
  readonly closedAt: MomentView | null;
  readonly closingEvidence: string | null;
}

/** Discrepancies one by one, a page of them. */
export interface DiscrepancyListView {
  readonly site: SiteView;
  readonly asOf: MomentView;
  /** What they have in common, in words. */
  readonly filter: readonly (readonly [string, string])[];
  readonly items: readonly DiscrepancyView[];
  /** Address of the next page; null on the last. */
  readonly next: string | null;
}

/** One discrepancy with everything that was done about it. */
export interface DiscrepancyPageView {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly item: DiscrepancyView;
  readonly meaning: string;
  readonly closedBy: string;
  readonly history: readonly HistoryLineView[];
}

export interface HistoryLineView {
  readonly at: MomentView;
  readonly who: string;
  readonly what: string;
  readonly text: string;
}
