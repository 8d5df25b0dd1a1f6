import { digestOf } from './chain.js';

/*
 * The tree of RFC 9162 section 2.1 (and RFC 6962): leaves and nodes are hashed behind prefixes of their own, so
 * that neither passes for the other; n leaves split at the largest power of two below n; an odd last leaf is
 * never doubled. Hashes are 32 bytes.
 */

const LEAF = Buffer.from([0x00]);
const NODE = Buffer.from([0x01]);

/** Root of a tree without leaves: SHA-256 of nothing. */
export const EMPTY_ROOT = digestOf(Buffer.alloc(0));

export function leafHash(data: Uint8Array): Buffer {
  return digestOf(Buffer.concat([LEAF, data], data.length + 1));
}

export function nodeHash(left: Uint8Array, right: Uint8Array): Buffer {
  return digestOf(Buffer.concat([NODE, left, right], left.length + right.length + 1));
}

/**
 * The right edge of a growing tree: the roots of its complete subtrees, largest first, one for each 1 in the
 * binary form of its size. Enough to append and to tell the root, whatever the size.
 */
export interface TreeEdge {
  readonly size: number;
  readonly peaks: readonly Buffer[];
}

export const EMPTY_EDGE: TreeEdge = { size: 0, peaks: [] };

/** The edge with one more leaf. */
export function appendLeaf(edge: TreeEdge, leaf: Buffer): TreeEdge {
  const peaks = [...edge.peaks];
  let grown = leaf;
  for (let rest = edge.size; rest % 2 === 1; rest = Math.floor(rest / 2)) {
    const left = peaks.pop();
    if (left === undefined) throw new Error(`a tree of ${edge.size} leaves lacks a peak`);
    grown = nodeHash(left, grown);
  }
  peaks.push(grown);
  return { size: edge.size + 1, peaks };
}

export function rootOfEdge({ peaks }: TreeEdge): Buffer {
  let root: Buffer | null = null;
  for (const peak of [...peaks].reverse()) root = root === null ? peak : nodeHash(peak, root);
  return root ?? EMPTY_ROOT;
}

/** Root over leaf hashes. */
export function merkleRoot(leaves: readonly Buffer[]): Buffer {
  return rootOfEdge(leaves.reduce(appendLeaf, EMPTY_EDGE));
}

/**
 * Hashes by which whoever holds leaf `index` computes the root, lowest first (RFC 9162, 2.1.3.1).
 *
 * @throws RangeError when there is no such leaf
 */
export function inclusionPath(leaves: readonly Buffer[], index: number): Buffer[] {
  if (!Number.isInteger(index) || index < 0 || index >= leaves.length) {
    throw new RangeError(`no leaf ${index} among ${leaves.length}`);
  }
  if (leaves.length === 1) return [];
  const split = splitOf(leaves.length);
  const [left, right] = [leaves.slice(0, split), leaves.slice(split)];
  return index < split
    ? [...inclusionPath(left, index), merkleRoot(right)]
    : [...inclusionPath(right, index - split), merkleRoot(left)];
}

export interface InclusionClaim {
  readonly leaf: Buffer;
  readonly index: number;
  readonly size: number;
  readonly root: Buffer;
  readonly path: readonly Buffer[];
}

/** RFC 9162, 2.1.3.2. False, never an exception, for a path of another length or an index out of range. */
export function verifyInclusion({ leaf, index, size, root, path }: InclusionClaim): boolean {
  if (!isCount(index) || !isCount(size) || index >= size) return false;
  let fn = index;
  let sn = size - 1;
  let hash = leaf;
  for (const step of path) {
    if (sn === 0) return false;
    if (fn % 2 === 1 || fn === sn) {
      hash = nodeHash(step, hash);
      if (fn % 2 === 0) [fn, sn] = upToOdd(fn, sn);
    } else {
      hash = nodeHash(hash, step);
    }
    fn = Math.floor(fn / 2);
    sn = Math.floor(sn / 2);
  }
  return sn === 0 && hash.equals(root);
}

/**
 * Hashes by which whoever knows the root of the first `first` leaves sees that it is the beginning of the whole
 * tree (RFC 9162, 2.1.4.1).
 *
 * @throws RangeError unless 0 < first <= leaves
 */
export function consistencyPath(leaves: readonly Buffer[], first: number): Buffer[] {
  if (!Number.isInteger(first) || first < 1 || first > leaves.length) {
    throw new RangeError(`no tree of ${first} leaves within ${leaves.length}`);
  }
  return subProof(leaves, first, true);
}

function subProof(leaves: readonly Buffer[], first: number, isWhole: boolean): Buffer[] {
  if (first === leaves.length) return isWhole ? [] : [merkleRoot(leaves)];
  const split = splitOf(leaves.length);
  const [left, right] = [leaves.slice(0, split), leaves.slice(split)];
  return first <= split
    ? [...subProof(left, first, isWhole), merkleRoot(right)]
    : [...subProof(right, first - split, false), merkleRoot(left)];
}

export interface ConsistencyClaim {
  readonly first: number;
  readonly firstRoot: Buffer;
  readonly second: number;
  readonly secondRoot: Buffer;
  readonly path: readonly Buffer[];
}

/** RFC 9162, 2.1.4.2. False, never an exception, for a path of another length or sizes that cannot be. */
export function verifyConsistency(claim: ConsistencyClaim): boolean {
  const { first, firstRoot, second, secondRoot, path } = claim;
  if (!isCount(first) || !isCount(second) || first < 1 || first > second) return false;
  if (first === second) return path.length === 0 && firstRoot.equals(secondRoot);
  const [start, ...steps] = isPowerOfTwo(first) ? [firstRoot, ...path] : path;
  if (start === undefined || path.length === 0) return false;
  let fn = first - 1;
  let sn = second - 1;
  while (fn % 2 === 1) {
    fn = Math.floor(fn / 2);
    sn = Math.floor(sn / 2);
  }
  let [firstHash, secondHash] = [start, start];
  for (const step of steps) {
    if (sn === 0) return false;
    if (fn % 2 === 1 || fn === sn) {
      firstHash = nodeHash(step, firstHash);
      secondHash = nodeHash(step, secondHash);
      if (fn % 2 === 0) [fn, sn] = upToOdd(fn, sn);
    } else {
      secondHash = nodeHash(secondHash, step);
    }
    fn = Math.floor(fn / 2);
    sn = Math.floor(sn / 2);
  }
  return sn === 0 && firstHash.equals(firstRoot) && secondHash.equals(secondRoot);
}

/** Halves both until the first is odd or nothing is left of it. */
function upToOdd(fn: number, sn: number): [number, number] {
  let [first, second] = [fn, sn];
  while (first !== 0 && first % 2 === 0) {
    first = Math.floor(first / 2);
    second = Math.floor(second / 2);
  }
  return [first, second];
}

/** Largest power of two below n, for n > 1. */
function splitOf(n: number): number {
  let split = 1;
  while (split * 2 < n) split *= 2;
  return split;
}

function isPowerOfTwo(n: number): boolean {
  return Number.isInteger(Math.log2(n));
}

function isCount(n: number): boolean {
  return Number.isSafeInteger(n) && n >= 0;
}
