import type { Instant } from '../formats/instant.js';
import type { AuditEntryRow } from '../storage/tables.js';
import { CHAIN_START, chainHash, SEAL_ALGORITHM } from './chain.js';
import { appendLeaf, EMPTY_EDGE, leafHash, type TreeEdge } from './merkle.js';
import { entryBytes, trailEntryOf } from './trail-entry.js';

/** How far a trail is sealed: all that appending to it needs. */
export interface ChainHead {
  /** Hash of the last sealed entry. */
  readonly hash: Buffer;
  readonly edge: TreeEdge;
}

export const EMPTY_HEAD: ChainHead = { hash: CHAIN_START, edge: EMPTY_EDGE };

/** The columns of a row that its seal fills, with the row's id. */
export interface Seal {
  readonly id: string;
  readonly sequence: number;
  readonly algorithm: string;
  readonly hash: string;
  readonly sealed_at: Instant;
}

/** Numbers and chains unsealed rows in the order given. */
export function sealEntries(
  head: ChainHead,
  rows: readonly AuditEntryRow[],
  sealedAt: Instant,
): { readonly head: ChainHead; readonly seals: readonly Seal[] } {
  let { hash, edge } = head;
  const seals: Seal[] = [];
  for (const row of rows) {
    const seal = { sequence: edge.size, algorithm: SEAL_ALGORITHM, sealed_at: sealedAt };
    const bytes = entryBytes(trailEntryOf({ ...row, ...seal }));
    hash = chainHash(hash, bytes);
    edge = appendLeaf(edge, leafHash(bytes));
    seals.push({ id: row.id, ...seal, hash: hash.toString('hex') });
  }
  return { head: { hash, edge }, seals };
}
