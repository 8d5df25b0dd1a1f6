import type { QueryFields } from '../reconciliation/discrepancy-query.js';
import type { DayView, DiscrepancyListView, DiscrepancyPageView } from './day-view.js';
import type { ReceiptView } from './receipt-view.js';
import type { TrailQuery, TrailView } from './trail-view.js';

/** Injection token of the `DayViewSource` the application binds. */
export const DAY_VIEW_SOURCE = Symbol('DAY_VIEW_SOURCE');

/** Reads what the pages show; bound where the application is wired. */
export interface DayViewSource {
  /** A day in the site's zone, the current one when left out; null when the text is no day. */
  load(day?: string): Promise<DayView | null>;
  /** Discrepancies one by one, as the address asks; a text says what is wrong with it. */
  loadDiscrepancies(fields: QueryFields): Promise<DiscrepancyListView | string>;
  /** One discrepancy with its history; null when there is none. */
  loadDiscrepancy(id: string): Promise<DiscrepancyPageView | null>;
  /** One receipt line, or null when nothing is known of the id. */
  loadReceipt(receiptId: string): Promise<ReceiptView | null>;
  /** Entries of the trail that fit what was asked for. */
  loadTrail(query: TrailQuery): Promise<TrailView>;
}
