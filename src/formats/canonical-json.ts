import { createHash } from 'node:crypto';
import canonicalize from 'canonicalize';

export type Sha256 = string & { readonly __brand: 'Sha256' };

export type JsonValue =
  | null
  | boolean
  | number
  | string
  | readonly JsonValue[]
  | { readonly [key: string]: JsonValue };

/** Lower-case hex SHA-256 of bytes or of the UTF-8 form of a text. */
export function sha256(data: Uint8Array | string): Sha256 {
  return createHash('sha256').update(data).digest('hex') as Sha256;
}

/**
 * RFC 8785 canonical form of a JSON value. Throws on NaN, Infinity and lone surrogates, which no value
 * parsed from JSON by this project can hold.
 */
export function canonicalJson(value: unknown): string {
  const text = canonicalize(value);
  if (text === undefined) throw new TypeError('value has no JSON form');
  return text;
}

/** SHA-256 of the RFC 8785 form. */
export function canonicalDigest(value: unknown): Sha256 {
  return sha256(canonicalJson(value));
}
