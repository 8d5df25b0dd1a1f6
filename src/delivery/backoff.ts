/**
 * Wait before the next try: doubles from the base up to the maximum, then half of it is spread by `jitter`
 * so that many deliveries do not come back at the same moment.
 *
 * @param tries how many were made so far, at least 1
 * @param jitter evenly distributed in [0, 1)
 */
export function backoffMs(baseMs: number, maxMs: number, tries: number, jitter: number): number {
  const doublings = Math.min(Math.max(tries, 1) - 1, 30);
  const full = Math.min(maxMs, baseMs * 2 ** doublings);
  return Math.round(full * (0.5 + 0.5 * jitter));
}
