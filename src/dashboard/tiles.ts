import type { StatementContainer } from '../records/statement-record.js';
import type { TileStripView, TileView } from './day-view.js';

/** Tiles of one receipt on the day page; the receipt's own page lists every container. */
export const TILES_SHOWN_MAX = 18;

/** What needs a person comes first, so that a cut never hides it behind what does not. */
const ORDER: readonly StatementContainer['state'][] = ['contrary', 'not-measured', 'covered'];

/**
 * The strip of a receipt: all tiles in their order while they fit; else what needs a person first, and
 * containers outside the plan only counted.
 */
export function tileStrip(tiles: readonly TileView[]): TileStripView {
  const counts: Record<StatementContainer['state'], number> = {
    covered: 0,
    'not-measured': 0,
    contrary: 0,
    'not-required': 0,
  };
  for (const tile of tiles) counts[tile.state] += 1;
  if (tiles.length <= TILES_SHOWN_MAX) return { shown: tiles, more: 0, counts };
  const sorted = ORDER.flatMap((state) => tiles.filter((tile) => tile.state === state));
  const shown = sorted.slice(0, TILES_SHOWN_MAX);
  return { shown, more: tiles.length - shown.length, counts };
}
