import type { Db } from '../storage/database.js';
import { type PayloadFormat, readTree, type Tree } from './answer-tree.js';
import { payloadBytes, payloadsBytes } from './build.store.js';

/** A stored payload and what it says; no tree when it is not what the mapping says it is. */
export interface ReadPayload {
  readonly bytes: Uint8Array;
  readonly tree: Tree | null;
}

const KEPT_MAX = 512;
/** Larger ones are read again: with these two bounds at most 32 MiB of payload is kept. */
const KEPT_BYTES_MAX = 65_536;

/**
 * Stored payloads by their digest. The same bytes are looked at before they are sent, when the answer comes
 * and when the destination is asked, mostly within a second; what was read last is kept.
 */
export class Payloads {
  readonly #kept = new Map<string, ReadPayload | { readonly bytes: Uint8Array }>();

  constructor(private readonly db: Db) {}

  async read(sha256: string, format: PayloadFormat): Promise<ReadPayload> {
    const kept = this.#kept.get(keyOf(sha256, format));
    if (kept !== undefined && 'tree' in kept) return kept;
    const bytes = kept?.bytes ?? (await payloadBytes(this.db, sha256));
    const read = readTree(format, bytes);
    const payload = { bytes, tree: read.ok ? read.tree : null };
    this.#keep(keyOf(sha256, format), payload);
    return payload;
  }

  /** Reads in one go what several sends are going to ask for and another process has built. */
  async fetch(wanted: readonly { readonly sha256: string; readonly format: PayloadFormat }[]) {
    const missing = wanted.filter((of) => !this.#kept.has(keyOf(of.sha256, of.format)));
    // A single one is read when it is sent.
    if (missing.length < 2) return;
    const found = await payloadsBytes(
      this.db,
      missing.map(({ sha256 }) => sha256),
      KEPT_BYTES_MAX,
    );
    for (const { sha256, format } of missing) {
      const bytes = found.get(sha256);
      if (bytes !== undefined) this.keep(sha256, format, bytes);
    }
  }

  /** Keeps the bytes of a payload that is being stored, since it is sent next. */
  keep(sha256: string, format: PayloadFormat, bytes: Uint8Array): void {
    this.#keep(keyOf(sha256, format), { bytes });
  }

  #keep(key: string, payload: ReadPayload | { readonly bytes: Uint8Array }): void {
    if (payload.bytes.length > KEPT_BYTES_MAX) return;
    this.#kept.set(key, payload);
    const [oldest] = this.#kept.keys();
    if (this.#kept.size > KEPT_MAX && oldest !== undefined) this.#kept.delete(oldest);
  }
}

function keyOf(sha256: string, format: PayloadFormat): string {
  return `${format} ${sha256}`;
}
