import { type Sha256, sha256 } from '../formats/canonical-json.js';
import { type JsonLimits, parseStrictJson } from '../formats/strict-json.js';
import { isUnreadable, readEnvelope, type UnreadableBundle } from './envelope.js';
import { documentSize, type OpenedBundle, openBundle } from './open-bundle.js';

/** What intake has to know of bytes before it stores them. */
export interface DocumentRead {
  readonly sha256: Sha256;
  /** null when the bytes cannot be read as a bundle. */
  readonly bundleId: string | null;
  readonly lane: string;
  readonly unreadable: UnreadableBundle | null;
}

/**
 * Bytes from which a document is read outside the thread that answers requests. Reading and digesting takes about 4.5 ms
 * a megabyte, storing about as much again: up to here it stays below the 10 ms that nobody notices, and below what
 * going to another thread and back would add where that is busy.
 */
export const LARGE_BYTES = 1_048_576;

/** True when reading or storing these bytes would hold up the thread that does it; of an archive its document counts. */
export function isLarge(bytes: Uint8Array, { bytesMax }: JsonLimits): boolean {
  return bytes.byteLength >= LARGE_BYTES || documentSize(bytes, bytesMax) >= LARGE_BYTES;
}

/** Reads and digests bytes of either form. Never throws on what they hold. */
export function readDocument(bytes: Uint8Array, limits: JsonLimits): DocumentRead {
  return readOpened(bytes, openBundle(bytes, limits.bytesMax), limits);
}

/** The same, of a document that was found in the bytes already. */
export function readOpened(
  bytes: Uint8Array,
  opened: OpenedBundle,
  limits: JsonLimits,
): DocumentRead {
  const envelope = opened.ok ? envelopeOf(opened.document, limits) : opened.fault;
  const digest = sha256(bytes);
  return isUnreadable(envelope)
    ? { sha256: digest, bundleId: null, lane: '', unreadable: envelope }
    : { sha256: digest, bundleId: envelope.bundleId, lane: envelope.lane, unreadable: null };
}

function envelopeOf(document: Uint8Array, limits: JsonLimits): ReturnType<typeof readEnvelope> {
  const parsed = parseStrictJson(document, limits);
  if (parsed.ok) return readEnvelope(parsed.value);
  const { rule, place, message, remedy } = parsed.fault;
  return { code: `json-${rule}`, pointer: place.pointer, message, advice: remedy };
}
