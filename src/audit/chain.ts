import { hash } from 'node:crypto';

/**
 * How an entry is sealed: h(n) = SHA-256(h(n-1) ‖ JCS bytes of entry n), and its leaf in an RFC 9162 tree over
 * the same bytes. Every sealed entry names it, so that a later form can stand beside this one.
 */
export const SEAL_ALGORITHM = 'sha256-jcs-1';

/** What stands before entry 0. */
export const CHAIN_START = Buffer.alloc(32);

/** SHA-256 of bytes, as bytes. */
export function digestOf(bytes: Uint8Array): Buffer {
  return hash('sha256', bytes, 'buffer');
}

/** The hash that takes an entry (its RFC 8785 bytes) into the chain behind the one before. */
export function chainHash(previous: Uint8Array, entry: Uint8Array): Buffer {
  return digestOf(Buffer.concat([previous, entry], previous.length + entry.length));
}
