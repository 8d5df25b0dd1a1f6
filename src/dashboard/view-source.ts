import type { DayView } from './day-view.js';
import type { ReceiptView } from './receipt-view.js';
import type { TrailQuery, TrailView } from './trail-view.js';

/** Injection token of the `DayViewSource` the application binds. */
export const DAY_VIEW_SOURCE = Symbol('DAY_VIEW_SOURCE');

/** Reads what the pages show; bound where the application is wired. */
export interface DayViewSource {
  /** The current day in the site's zone. */
  load(): Promise<DayView>;
  /** One receipt line, or null when nothing is known of the id. */
  loadReceipt(receiptId: string): Promise<ReceiptView | null>;
  /** Entries of the trail that fit what was asked for. */
  loadTrail(query: TrailQuery): Promise<TrailView>;
}
