import { describe, expect, it } from 'vitest';
import { identifierCollisions } from '../../src/mapping/identifier-collisions.js';
import { emptyTree, putAt } from '../../src/mapping/payload-tree.js';
import { mappingWith } from '../support/mapping-bench.js';

const message = mappingWith('lims').document.messages.result;
if (!message) throw new Error('lims maps results');

const collisionsOf = (...lots: string[]) =>
  identifierCollisions(
    message,
    lots.map((lot) => {
      const tree = emptyTree();
      putAt(tree, '/lot', lot);
      putAt(tree, '/operator', 'same');
      return tree;
    }),
  );

describe('identifierCollisions', () => {
  it.each([
    ['case', 'lot-a', 'LOT-A'],
    ['blanks', 'LOT 1', 'LOT1'],
    ['leading zeros', '007', '7'],
    ['leading zeros', 'L-007', 'L-7'],
    ['Unicode form', 'e\u0301', '\u00e9'],
    ['punctuation', 'A-1', 'A/1'],
  ])('names two identifiers that differ only by %s', (under, a, b) => {
    expect(collisionsOf(a, b)).toContainEqual({ field: '/lot', values: [a, b].sort(), under });
  });

  it('finds none among identifiers that differ otherwise, nor for one value twice', () => {
    expect(collisionsOf('A-100', 'A-10', 'B-1', '700', '7', 'A-100')).toEqual([]);
  });
});
