import { createHmac } from 'node:crypto';
import { type Sha256, sha256 } from '../formats/canonical-json.js';
import { addMs, type Instant, msBetween } from '../formats/instant.js';
import type { SessionLimits } from '../site/site-folder.js';

export interface SessionTimes {
  readonly seenAt: Instant;
  readonly expiresAt: Instant;
  readonly endedAt: Instant | null;
}

/** Why a session opens nothing; the words stand in the trail and on pages. */
export type SessionEnd =
  | 'signed out'
  | 'signed in again'
  | 'ended by its owner'
  | 'not used for too long'
  | 'lasted as long as it may'
  | 'clock set back'
  | 'password changed'
  | 'password reset'
  | 'account deactivated';

/** A request is noted this seldom, so that reading a page writes nothing. */
export const SEEN_EVERY_MS = 60_000;
/** Two clocks may differ by this much. */
const CLOCKS_APART_MS = 5_000;

/** Why a session that nobody ended is over; null while it lasts. */
export function sessionOver(
  session: Omit<SessionTimes, 'endedAt'>,
  limits: SessionLimits,
  now: Instant,
): SessionEnd | null {
  if (isAhead(session.seenAt, now)) return 'clock set back';
  if (session.expiresAt <= now) return 'lasted as long as it may';
  return msBetween(session.seenAt, now) >= limits.idleMs ? 'not used for too long' : null;
}

/** Whether something was written by a clock that has been set back since. */
export function isAhead(written: Instant, now: Instant): boolean {
  return written > addMs(now, CLOCKS_APART_MS);
}

/** Whether a request is worth noting; never back in time. */
export function isSeenDue(seenAt: Instant, limits: SessionLimits, now: Instant): boolean {
  return msBetween(seenAt, now) >= Math.min(SEEN_EVERY_MS, limits.idleMs / 4);
}

/**
 * `__Host-`: browsers take such a cookie over TLS or from this machine only, for this host and every path, and no
 * other host of the domain can set it (RFC 6265bis §4.1.3.2, from memory).
 */
export const SESSION_COOKIE = '__Host-drumline';
const ATTRIBUTES = 'Path=/; Secure; HttpOnly; SameSite=Strict';

/** Set-Cookie that begins a session in the browser; it goes when the browser closes. */
export function sessionCookie(secret: string): string {
  return `${SESSION_COOKIE}=${secret}; ${ATTRIBUTES}`;
}

export function clearedCookie(): string {
  return `${SESSION_COOKIE}=; Max-Age=0; ${ATTRIBUTES}`;
}

const SECRET = /^[A-Za-z0-9_-]{43}$/;

export function formatSessionSecret(randomBytes: Uint8Array): string {
  if (randomBytes.length !== 32) throw new RangeError('a session takes 32 random bytes');
  return Buffer.from(randomBytes).toString('base64url');
}

export function sessionDigest(secret: string): Sha256 {
  return sha256(secret);
}

/** The session of a Cookie header: its secret; `malformed` for what we never set; null without one. */
export function readSessionCookie(header: string | undefined): string | 'malformed' | null {
  const values = (header ?? '')
    .split(';')
    .map((part) => part.trim())
    .filter((part) => part.startsWith(`${SESSION_COOKIE}=`))
    .map((part) => part.slice(SESSION_COOKIE.length + 1));
  const [value] = values;
  if (value === undefined) return null;
  return values.length === 1 && SECRET.test(value) ? value : 'malformed';
}

/**
 * What every form of a session carries back. It follows from the secret, which no other site can read or guess,
 * so nothing need be kept; and the secret does not follow from it.
 */
export function formTokenOf(secret: string): string {
  return createHmac('sha256', secret).update('drumline form token').digest('base64url');
}
