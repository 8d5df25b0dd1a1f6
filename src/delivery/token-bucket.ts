import { addMs, type Instant, msBetween } from '../formats/instant.js';

/** Tokens at `now`: one a send, filled at `ratePerSecond`, never more than one second's worth. */
export function refilledTokens(
  tokens: number,
  tokensAt: Instant,
  ratePerSecond: number,
  now: Instant,
): number {
  const gained = (Math.max(0, msBetween(tokensAt, now)) / 1000) * ratePerSecond;
  return Math.min(Math.max(1, ratePerSecond), tokens + gained);
}

/** When a whole token will be there. */
export function nextTokenAt(tokens: number, ratePerSecond: number, now: Instant): Instant {
  return addMs(now, Math.max(0, ((1 - tokens) / ratePerSecond) * 1000));
}
