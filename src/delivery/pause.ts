import { canonicalDigest } from '../formats/canonical-json.js';
import type { DestinationRow } from '../storage/tables.js';
import { RESTORE_PAUSE } from './stop-policy.js';

/** The pause of a destination: a person's, the one after a restore, or both, of which the latter shows. */
export interface Pause {
  readonly paused: 0 | 1;
  readonly reason: string | null;
  readonly kept: string | null;
}

export const OPEN: Pause = { paused: 0, reason: null, kept: null };

export function pauseOf(
  row: Pick<DestinationRow, 'paused' | 'pause_reason' | 'pause_kept'>,
): Pause {
  return { paused: row.paused, reason: row.pause_reason, kept: row.pause_kept };
}

/** Names a pause: who decides by what was shown says which, so that nobody ends another person's pause unawares. */
export function pauseDigest({ paused, reason, kept }: Pause): string {
  return canonicalDigest({ paused, reason, kept });
}

/** A pause in words. */
export function pauseInWords({ paused, reason, kept }: Pause): string {
  if (paused === 0) return 'not paused';
  const also = kept === null ? '' : `, and behind that: ${kept}`;
  return `paused: ${reason ?? ''}${also}`;
}

/** A person pauses: under the pause after a restore it is remembered, and stands when that one ends. */
export function pausedBy(before: Pause, reason: string): Pause {
  return isAfterRestore(before) ? { ...before, kept: reason } : { paused: 1, reason, kept: null };
}

/** A person lets it go on; the pause after a restore stays until the whole gateway is resumed. */
export function resumed(before: Pause): Pause {
  return isAfterRestore(before) ? { ...before, kept: null } : OPEN;
}

/** What a restore makes of it (rule 28). */
export function pausedByRestore(before: Pause): Pause {
  if (isAfterRestore(before)) return before;
  return { paused: 1, reason: RESTORE_PAUSE, kept: before.paused === 1 ? before.reason : null };
}

/** What the end of the pause after a restore leaves. */
export function resumedAfterRestore(before: Pause): Pause {
  if (!isAfterRestore(before)) return before;
  return before.kept === null ? OPEN : { paused: 1, reason: before.kept, kept: null };
}

function isAfterRestore(pause: Pause): boolean {
  return pause.paused === 1 && pause.reason === RESTORE_PAUSE;
}
