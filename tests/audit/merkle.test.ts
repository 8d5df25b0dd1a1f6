import { describe, expect, it } from 'vitest';
import {
  appendLeaf,
  consistencyPath,
  EMPTY_EDGE,
  inclusionPath,
  leafHash,
  merkleRoot,
  rootOfEdge,
  verifyConsistency,
  verifyInclusion,
} from '../../src/audit/merkle.js';

// Leaves, roots and paths: the public vectors of Certificate Transparency (RFC 6962 / 9162 trees), as reproduced in
// the standards file integrity-and-exchange.md.
const LEAVES = [
  '',
  '00',
  '10',
  '2021',
  '3031',
  '40414243',
  '5051525354555657',
  '606162636465666768696a6b6c6d6e6f',
].map((hex) => leafHash(Buffer.from(hex, 'hex')));
const ROOTS = [
  'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855',
  '6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d',
  'fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125',
  'aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77',
  'd37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7',
  '4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4',
  '76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef',
  'ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c',
  '5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328',
];
const hex = (path: readonly Buffer[]) => path.map((hash) => hash.toString('hex'));
const root = (size: number) => merkleRoot(LEAVES.slice(0, size));

describe('the Merkle tree', () => {
  it.each(ROOTS.map((expected, size) => [size, expected] as const))(
    'has the published root over %i leaves',
    (size, expected) => {
      expect(root(size).toString('hex')).toBe(expected);
    },
  );

  it('gives the published inclusion paths', () => {
    expect(hex(inclusionPath(LEAVES, 0))).toEqual([
      '96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7',
      '5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e',
      '6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4',
    ]);
    expect(hex(inclusionPath(LEAVES, 5))).toEqual([
      'bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b',
      'ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0',
      'd37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7',
    ]);
    expect(hex(inclusionPath(LEAVES.slice(0, 3), 2))).toEqual([ROOTS[2]]);
  });

  it('gives the published consistency path of 3 within 8', () => {
    expect(hex(consistencyPath(LEAVES, 3))).toEqual([
      '0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7',
      '07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7',
      ROOTS[2],
      '6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4',
    ]);
  });

  it('proves every leaf of every tree, and fails without exception on any other path', () => {
    for (let size = 1; size <= LEAVES.length; size += 1) {
      const leaves = LEAVES.slice(0, size);
      for (let index = 0; index < size; index += 1) {
        const path = inclusionPath(leaves, index);
        const claim = { leaf: leaves[index] as Buffer, index, size, root: root(size), path };
        expect(verifyInclusion(claim)).toBe(true);
        for (const other of otherPaths(path)) {
          expect(verifyInclusion({ ...claim, path: other })).toBe(false);
        }
        for (const wrong of [-1, size, 0.5, Number.NaN, (index + 1) % (size + 1)]) {
          expect(verifyInclusion({ ...claim, index: wrong })).toBe(false);
        }
        if (size > 1) {
          const leaf = leaves[(index + 1) % size] as Buffer;
          expect(verifyInclusion({ ...claim, leaf })).toBe(false);
        }
      }
    }
  });

  it('proves every beginning of every tree, and fails without exception on any other path', () => {
    for (let second = 1; second <= LEAVES.length; second += 1) {
      for (let first = 1; first <= second; first += 1) {
        const path = consistencyPath(LEAVES.slice(0, second), first);
        const claim = { first, firstRoot: root(first), second, secondRoot: root(second), path };
        expect(verifyConsistency(claim)).toBe(true);
        for (const other of otherPaths(path)) {
          expect(verifyConsistency({ ...claim, path: other })).toBe(false);
        }
        expect(verifyConsistency({ ...claim, firstRoot: leafHash(Buffer.from('x')) })).toBe(false);
        for (const wrong of [0, -1, second + 1, 0.5]) {
          expect(verifyConsistency({ ...claim, first: wrong })).toBe(false);
        }
      }
    }
  });

  it('keeps an edge of as many peaks as its size has ones, and the same root', () => {
    let edge = EMPTY_EDGE;
    const leaves: Buffer[] = [];
    for (let n = 0; n < 200; n += 1) {
      const leaf = leafHash(Buffer.from(`entry ${n}`));
      leaves.push(leaf);
      edge = appendLeaf(edge, leaf);
      expect(edge.peaks).toHaveLength([...(n + 1).toString(2)].filter((b) => b === '1').length);
    }
    // By the recursive definition of RFC 9162, section 2.1.1.
    const recursive = (some: readonly Buffer[]): Buffer => {
      const path = inclusionPath(some, 0);
      const claim = { leaf: some[0] as Buffer, index: 0, size: some.length, path };
      expect(verifyInclusion({ ...claim, root: rootOfEdge(edge) })).toBe(true);
      return merkleRoot(some);
    };
    expect(recursive(leaves).equals(rootOfEdge(edge))).toBe(true);
  });
});

/** One hash too few at either end, one too many, one changed, two exchanged. */
function otherPaths(path: readonly Buffer[]): Buffer[][] {
  const extra = leafHash(Buffer.from('extra'));
  const others = [
    [...path, extra],
    [extra, ...path],
  ];
  if (path.length > 0) {
    others.push(path.slice(1), path.slice(0, -1), [extra, ...path.slice(1)]);
    others.push([...path.slice(0, -1), extra]);
  }
  if (path.length > 1) others.push([...path].reverse());
  return others;
}
