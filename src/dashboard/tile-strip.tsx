import type { JSX } from 'preact';
import type { StatementContainer } from '../records/statement-record.js';
import type { TileStripView } from './day-view.js';
import { ContainerMark, containerTone } from './marks.js';
import { Verbatim } from './verbatim.js';
import { CONTAINER_WORDS } from './wording.js';

const ORDER: readonly StatementContainer['state'][] = [
  'contrary',
  'not-measured',
  'covered',
  'not-required',
];

/** One tile a container: shape and word, its label below. Counts in words stand before the tiles. */
export function TileStrip(props: {
  readonly strip: TileStripView;
  readonly moreHref: string;
}): JSX.Element {
  const { strip } = props;
  if (strip.shown.length + strip.more === 0) return <p class="none">No containers listed.</p>;
  return (
    <div class="strip">
      <p class="strip-counts">{countsText(strip.counts)}</p>
      <ul class="tiles">
        {strip.shown.map((tile) => (
          <li key={tile.label} class={`tile tone-${containerTone(tile.state)}`}>
            <ContainerMark state={tile.state} />
            <span class="tile-label">
              <Verbatim>{tile.label}</Verbatim>
            </span>
          </li>
        ))}
        {strip.more === 0 ? null : (
          <li class="tile tile-more">
            <a href={props.moreHref}>{strip.more} more</a>
          </li>
        )}
      </ul>
    </div>
  );
}

export function countsText(counts: TileStripView['counts']): string {
  return ORDER.filter((state) => counts[state] > 0)
    .map((state) => `${counts[state]} ${CONTAINER_WORDS[state]}`)
    .join(', ');
}
