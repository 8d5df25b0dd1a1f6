import type { Instant } from '../formats/instant.js';

/** What of a trail is asked for; null leaves a part out. */
export interface TrailFilter {
  readonly from: Instant | null;
  /** Entries before this. */
  readonly to: Instant | null;
  /** Whole name, as it is stored, of an account, key or part of the service. */
  readonly actor: string | null;
  /** Beginning of an action: `delivery.` finds all of deliveries. */
  readonly action: string | null;
  /** Whole id of what was changed. */
  readonly subject: string | null;
  /** Text within the reason, whatever its case. */
  readonly reason: string | null;
}

/** Place behind the last entry of a page. */
export interface TrailPlace {
  readonly at: Instant;
  readonly id: string;
}
