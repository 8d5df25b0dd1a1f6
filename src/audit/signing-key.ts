import {
  createPrivateKey,
  createPublicKey,
  generateKeyPairSync,
  type KeyObject,
  sign,
  verify,
} from 'node:crypto';
import { sha256 } from '../formats/canonical-json.js';

/** Ed25519 (RFC 8032) by Node's own implementation; nothing here reads a file. */

export interface PublicTrailKey {
  /** SHA-256 of the 32 bytes of the public key, hex: names the key in signatures. */
  readonly id: string;
  /** The 32 bytes, base64url without padding, as RFC 8037 writes them (`x`). */
  readonly publicKey: string;
}

export interface TrailKey extends PublicTrailKey {
  /** Signature over a message, base64. */
  sign(message: Uint8Array): string;
}

const RAW_BYTES = 32;

/** A new pair; the private half as PKCS #8 PEM. */
export function newTrailKey(): { readonly pem: string; readonly key: TrailKey } {
  const { privateKey } = generateKeyPairSync('ed25519');
  const pem = privateKey.export({ format: 'pem', type: 'pkcs8' }).toString();
  return { pem, key: trailKeyOf(privateKey) };
}

/** The key of a PKCS #8 PEM text; null when it holds no Ed25519 private key. */
export function parsePrivateKey(pem: string): TrailKey | null {
  try {
    const key = createPrivateKey(pem);
    return key.asymmetricKeyType === 'ed25519' ? trailKeyOf(key) : null;
  } catch {
    // Not PEM, damaged, or behind a password: in every case not a key to sign with.
    return null;
  }
}

/** A public key from PEM, or from its 32 bytes in base64url; null when it is neither. */
export function parsePublicKey(text: string): PublicTrailKey | null {
  const trimmed = text.trim();
  if (/^[A-Za-z0-9_-]{43}$/.test(trimmed)) return publicKeyOf(trimmed);
  try {
    const key = createPublicKey(trimmed);
    return key.asymmetricKeyType === 'ed25519' ? publicKeyOf(rawOf(key)) : null;
  } catch {
    // Any text may be given as a key.
    return null;
  }
}

/** True when the signature is this key's over the message; never throws, whatever is given. */
export function isSignedBy(key: PublicTrailKey, message: Uint8Array, signature: string): boolean {
  try {
    const jwk = { kty: 'OKP', crv: 'Ed25519', x: key.publicKey };
    const publicKey = createPublicKey({ key: jwk, format: 'jwk' });
    return verify(null, message, publicKey, Buffer.from(signature, 'base64'));
  } catch {
    // 32 bytes that are no point of the curve.
    return false;
  }
}

function trailKeyOf(privateKey: KeyObject): TrailKey {
  const publicKey = rawOf(createPublicKey(privateKey));
  return {
    ...publicKeyOf(publicKey),
    sign: (message) => sign(null, message, privateKey).toString('base64'),
  };
}

function publicKeyOf(publicKey: string): PublicTrailKey {
  return { id: sha256(Buffer.from(publicKey, 'base64url')), publicKey };
}

function rawOf(key: KeyObject): string {
  const { x } = key.export({ format: 'jwk' });
  if (x === undefined || Buffer.from(x, 'base64url').length !== RAW_BYTES) {
    throw new Error('no Ed25519 key');
  }
  return x;
}
