import type { Instant } from '../formats/instant.js';
import type { DiscrepancyClass } from '../storage/tables.js';

/** Which discrepancies: open now, closed, or open at an instant, narrowed by any of the rest. */
export interface DiscrepancyFilter {
  readonly state: 'open' | 'closed' | { readonly openAt: Instant };
  readonly class?: DiscrepancyClass;
  readonly destination?: string;
  /** `none`: those without one. */
  readonly fault?: string;
  readonly instrument?: string;
  readonly receipt?: string;
}
