import type { Instant } from '../formats/instant.js';

/**
 * A doorbell says that there may be work; it carries no state, and losing one only costs the time until
 * the next sweep. What is due stands in the database.
 */
export type Bell = 'bundles' | 'receipts' | `deliveries:${string}` | `stops:${string}`;

/** The bell while its handler runs: a handler that waits for slow work can look again when it is rung. */
export interface Ringing {
  /** Resolves at the next ring; the same promise until then. */
  next(): Promise<void>;
}

/** Does what is due and says when there will be more, or null when nothing is known to come. */
export type BellHandler = (ringing: Ringing) => Promise<{ readonly nextDueAt: Instant | null }>;

export interface WorkQueue {
  /** Never waits and never fails. */
  ring(bell: Bell): void;
  /** One handler a bell; it never runs twice at once. */
  answer(bell: Bell, handler: BellHandler): void;
  /** Stops taking new work and waits for what runs. */
  drain(): Promise<void>;
}
