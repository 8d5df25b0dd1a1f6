import { canonicalJson, type Sha256, sha256 } from '../formats/canonical-json.js';
import type { TrailKey } from './signing-key.js';

const CHECKPOINT_FORMAT = 'drumline-checkpoint';
export const CHECKPOINT_VERSION = 1;

export type CheckpointCause = 'entries' | 'interval' | 'close' | 'key-changed';

/** What the trail of a site was at one size. */
export interface Checkpoint {
  readonly format: typeof CHECKPOINT_FORMAT;
  readonly version: typeof CHECKPOINT_VERSION;
  readonly algorithm: string;
  readonly site: string;
  readonly instance: string;
  readonly epoch: number;
  /** Entries it covers: 0 to size - 1. */
  readonly size: number;
  /** Root of the RFC 9162 tree over these entries, hex. */
  readonly root: string;
  /** Hash of entry size - 1, hex. */
  readonly head: string;
  /** RFC 3339 in UTC. */
  readonly time: string;
  readonly cause: CheckpointCause;
  /** Digest of the checkpoint before, hex; null for the first. */
  readonly previous: string | null;
  /** Id of a key that counts no more after this; null but when the key was changed. */
  readonly retires: string | null;
}

export interface CheckpointSignature {
  readonly key: string;
  /** Ed25519 over the RFC 8785 bytes of `checkpoint`, base64. */
  readonly signature: string;
}

export interface SignedCheckpoint {
  readonly checkpoint: Checkpoint;
  readonly signatures: readonly CheckpointSignature[];
}

export type NewCheckpoint = Omit<Checkpoint, 'format' | 'version'>;

export function signCheckpoint(of: NewCheckpoint, keys: readonly TrailKey[]): SignedCheckpoint {
  const checkpoint = { format: CHECKPOINT_FORMAT, version: CHECKPOINT_VERSION, ...of } as const;
  const message = checkpointBytes(checkpoint);
  const signatures = keys.map((key) => ({ key: key.id, signature: key.sign(message) }));
  return { checkpoint, signatures };
}

/** The bytes that are signed. `format` keeps them apart from whatever else a key may sign. */
export function checkpointBytes(checkpoint: Checkpoint): Buffer {
  return Buffer.from(canonicalJson(checkpoint), 'utf8');
}

/** Names a checkpoint, whoever has signed it. */
export function checkpointDigest(checkpoint: Checkpoint): Sha256 {
  return sha256(canonicalJson(checkpoint));
}

/** As it is stored and written outside: one line of RFC 8785 JSON. */
export function checkpointText(signed: SignedCheckpoint): string {
  return `${canonicalJson(signed)}\n`;
}

const HEX = /^[0-9a-f]{64}$/;

/** Reads a signed checkpoint; null for whatever has not its form. Fields it does not know stay, and count. */
export function readCheckpoint(value: unknown): SignedCheckpoint | null {
  if (!isObject(value) || !isObject(value.checkpoint) || !Array.isArray(value.signatures)) {
    return null;
  }
  const { checkpoint, signatures } = value;
  const isOurs =
    checkpoint.format === CHECKPOINT_FORMAT &&
    checkpoint.version === CHECKPOINT_VERSION &&
    typeof checkpoint.site === 'string' &&
    Number.isSafeInteger(checkpoint.epoch) &&
    Number.isSafeInteger(checkpoint.size) &&
    (checkpoint.size as number) >= 0 &&
    [checkpoint.root, checkpoint.head].every((h) => typeof h === 'string' && HEX.test(h)) &&
    typeof checkpoint.time === 'string';
  const areSigned = signatures.every(
    (s: unknown) => isObject(s) && typeof s.key === 'string' && typeof s.signature === 'string',
  );
  return isOurs && areSigned ? (value as unknown as SignedCheckpoint) : null;
}

function isObject(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
