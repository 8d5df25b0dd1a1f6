import { describe, expect, it } from 'vitest';
import { holeIn } from '../../src/formats/axis-hole.js';

/** Points 2 cm-1 apart from 200 to 900 and from 1500 to 3000. */
const HOLED = Float64Array.from([...steps(200, 900), ...steps(1500, 3000)]);

function steps(from: number, to: number): number[] {
  return Array.from({ length: (to - from) / 2 + 1 }, (_, i) => from + 2 * i);
}

describe('a hole in an axis', () => {
  it.each([
    ['reaches over it', 300, 2000],
    ['lies within it', 1000, 1400],
    ['begins at its last point', 900, 1400],
    ['ends at its first point', 1000, 1500],
    ['shares a point with it on either side', 899, 1501],
  ])('is found by a stretch that %s', (_, from, to) => {
    expect(holeIn(HOLED, from, to)).toEqual({ after: 900, before: 1500, spacing: 2 });
  });

  it.each([
    ['before it', 200, 900],
    ['behind it', 1500, 3000],
    ['of two points', 2000, 2002],
  ])('is none for a stretch %s', (_, from, to) => {
    expect(holeIn(HOLED, from, to)).toBeNull();
  });

  it('is none where an axis of few points is evenly spaced', () => {
    expect(holeIn(Float64Array.from([100, 200, 300]), 120, 180)).toBeNull();
    expect(holeIn(Float64Array.from([100, 200]), 100, 200)).toBeNull();
  });
});
