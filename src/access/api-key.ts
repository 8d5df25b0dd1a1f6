import { type Sha256, sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';

export type Scope =
  | 'bundle:write'
  | 'expectation:write'
  | 'method:write'
  | 'statement:read'
  | 'read';
export const SCOPES: readonly Scope[] = [
  'bundle:write',
  'expectation:write',
  'method:write',
  'statement:read',
  'read',
];

export type KeyRefusal = 'unknown' | 'expired' | 'revoked' | 'rotated';

/** Shown once, stored only as a digest: 256 random bits make a salted slow hash needless. */
export function formatApiKey(randomBytes: Uint8Array): string {
  if (randomBytes.length !== 32) throw new RangeError('an API key takes 32 random bytes');
  return `dlk_${Buffer.from(randomBytes).toString('base64url')}`;
}

export function apiKeyDigest(key: string): Sha256 {
  return sha256(key);
}

export function judgeApiKey(
  key: {
    readonly expiresAt: Instant | null;
    readonly revokedAt: Instant | null;
    /** End of the overlap, of a secret that a rotation replaced; null for the one in force. */
    readonly replacedUntil: Instant | null;
  },
  now: Instant,
): KeyRefusal | null {
  if (key.revokedAt !== null) return 'revoked';
  if (key.expiresAt !== null && key.expiresAt <= now) return 'expired';
  if (key.replacedUntil !== null && key.replacedUntil <= now) return 'rotated';
  return null;
}

export function parseScope(text: string): Scope | null {
  return SCOPES.find((scope) => scope === text) ?? null;
}
