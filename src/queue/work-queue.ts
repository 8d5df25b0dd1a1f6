import type { Instant } from '../formats/instant.js';

/**
 * A doorbell says that there may be work; it carries no state, and losing one only costs the time until
 * the next sweep. What is due stands in the database.
 */
export type Bell =
  | 'bundles'
  | 'receipts'
  | 'comparison'
  | 'escalations'
  | `deliveries:${string}`
  | `stops:${string}`
  | `sweeps:${string}`;

/** Every bell of a site with these destinations. */
export function bellsOf(destinations: readonly string[]): readonly Bell[] {
  const ofDestinations = destinations.flatMap(
    (name) => [`deliveries:${name}`, `stops:${name}`, `sweeps:${name}`] as const,
  );
  return ['bundles', 'receipts', 'comparison', 'escalations', ...ofDestinations];
}

/** The bell while its handler runs: a handler that waits for slow work can look again when it is rung. */
export interface Ringing {
  /**
   * Resolves at the next ring; the same promise until then. A ring since it was last asked counts as the
   * next one, because the handler may have looked before it. Whoever asks looks again before it ends.
   */
  next(): Promise<void>;
}

/** Does what is due and says when there will be more, or null when nothing is known to come. */
export type BellHandler = (ringing: Ringing) => Promise<{ readonly nextDueAt: Instant | null }>;

/** Both implementations keep `tests/queue/work-queue-conformance.ts`. */
export interface WorkQueue {
  /** Never waits and never fails. The ring is answered by a process that can look at once, if there is one. */
  ring(bell: Bell): void;
  /**
   * As `ring`, for what must not wait to be carried: this process looks itself and at once where it answers the
   * bell. Where it does not, or goes down, it is a ring like any other.
   */
  ringHere(bell: Bell): void;
  /**
   * One handler a bell in a process; it never runs twice at once there, and may run in several processes:
   * the stores decide who gets what. It has a first look without being rung, and one with every sweep.
   */
  answer(bell: Bell, handler: BellHandler): void;
  /** Stops taking new work and waits for what runs. */
  drain(): Promise<void>;
}

/** Rings for whatever may leave to these destinations, stops before the rest. */
export function ringDestinations(
  queue: Pick<WorkQueue, 'ring' | 'ringHere'>,
  destinations: readonly { readonly name: string }[],
): void {
  for (const { name } of destinations) queue.ringHere(`stops:${name}`);
  for (const { name } of destinations) queue.ring(`deliveries:${name}`);
}
