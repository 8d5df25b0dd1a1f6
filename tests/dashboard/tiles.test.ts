import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import type { TileView } from '../../src/dashboard/day-view.js';
import { fillOf } from '../../src/dashboard/stage-row.js';
import { countsText } from '../../src/dashboard/tile-strip.js';
import { TILES_SHOWN_MAX, tileStrip } from '../../src/dashboard/tiles.js';

const state = fc.constantFrom<TileView['state']>(
  'covered',
  'not-measured',
  'contrary',
  'not-required',
);
const tiles = fc
  .array(state, { maxLength: 80 })
  .map((states) => states.map((s, i) => ({ label: `D-${i}`, state: s })));

describe('tileStrip', () => {
  test('keeps the order while all tiles fit', () => {
    const few: TileView[] = [
      { label: 'D-1', state: 'covered' },
      { label: 'D-2', state: 'contrary' },
    ];
    expect(tileStrip(few).shown).toEqual(few);
    expect(tileStrip(few).more).toBe(0);
  });

  test('never hides a container that needs a person behind one that does not', () => {
    const rank = { contrary: 0, 'not-measured': 1, covered: 2, 'not-required': 3 };
    fc.assert(
      fc.property(tiles, (all) => {
        const strip = tileStrip(all);
        const hidden = all.filter((tile) => !strip.shown.includes(tile));
        expect(strip.shown.length + strip.more).toBe(all.length);
        expect(strip.shown.length).toBeLessThanOrEqual(TILES_SHOWN_MAX);
        const worstHidden = Math.min(4, ...hidden.map((tile) => rank[tile.state]));
        for (const tile of strip.shown) {
          if (hidden.length > 0) expect(rank[tile.state]).toBeLessThanOrEqual(worstHidden);
        }
        expect(Object.values(strip.counts).reduce((a, b) => a + b, 0)).toBe(all.length);
      }),
    );
  });

  test('says the counts worst first and leaves out what is none', () => {
    expect(countsText({ covered: 3, contrary: 1, 'not-measured': 0, 'not-required': 2 })).toBe(
      '1 contrary, 3 covered, 2 not in the plan',
    );
  });
});

describe('fillOf', () => {
  test.each([
    [{ count: 0, of: null }, 0],
    [{ count: 3, of: null }, 1],
    [{ count: 0, of: 0 }, 0],
    [{ count: 1, of: 4 }, 0.25],
    [{ count: 5, of: 4 }, 1],
  ])('fills the drum of %o to %d', (stage, expected) => {
    expect(fillOf(stage)).toBe(expected);
  });
});
