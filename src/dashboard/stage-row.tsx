import type { JSX } from 'preact';
import type { StageView } from './day-view.js';
import { STAGE_TITLES } from './wording.js';

/** The day from left to right; what did not come through is linked to the list that names it. */
export function StageRow({ stages }: { readonly stages: readonly StageView[] }): JSX.Element {
  return (
    <ol class="stages">
      {stages.map((stage) => (
        <Stage key={stage.key} stage={stage} />
      ))}
    </ol>
  );
}

function Stage({ stage }: { readonly stage: StageView }): JSX.Element {
  return (
    <li class={`stage ${stage.shortfalls.length > 0 ? 'stage-short' : 'stage-whole'}`}>
      <Drum stageKey={stage.key} fill={fillOf(stage)} />
      <div class="stage-text">
        <h3>{STAGE_TITLES[stage.key]}</h3>
        <p class="stage-count">
          <strong>{stage.count}</strong>
          {stage.of === null ? null : <span> of {stage.of}</span>} <span>{stage.unit}</span>
        </p>
        {stage.note === null ? null : <p class="stage-note">{stage.note}</p>}
        {stage.shortfalls.length === 0 ? null : (
          <ul class="shortfalls">
            {stage.shortfalls.map((shortfall) => (
              <li key={shortfall.text}>
                <a href={shortfall.href}>
                  {shortfall.count} {shortfall.text}
                </a>
              </li>
            ))}
          </ul>
        )}
      </div>
    </li>
  );
}

/** Share of the drum to fill, 0 to 1; a stage that owes nothing is full when anything arrived. */
export function fillOf(stage: Pick<StageView, 'count' | 'of'>): number {
  if (stage.of === null) return stage.count > 0 ? 1 : 0;
  if (stage.of === 0) return 0;
  return Math.min(1, stage.count / stage.of);
}

const DRUM = 'M4 6C4 3.8 12 2 22 2s18 1.8 18 4v44c0 2.2-8 4-18 4S4 52.2 4 50Z';

/** A drum filled to the level reached; the figures beside it say the same. */
function Drum(props: { readonly stageKey: string; readonly fill: number }): JSX.Element {
  const height = Math.round(props.fill * 520) / 10;
  const clip = `drum-${props.stageKey}`;
  return (
    <svg class="drum" viewBox="0 0 44 56" aria-hidden="true" focusable="false">
      <clipPath id={clip}>
        <path d={DRUM} />
      </clipPath>
      <rect
        class="drum-level"
        x="0"
        y={Math.round(540 - height * 10) / 10}
        width="44"
        height={height}
        clip-path={`url(#${clip})`}
      />
      <path class="drum-line" d={DRUM} />
      <path class="drum-line" d="M4 6c0 2.2 8 4 18 4s18-1.8 18-4" />
      <path
        class="drum-line"
        d="M4 20c0 2.2 8 4 18 4s18-1.8 18-4M4 36c0 2.2 8 4 18 4s18-1.8 18-4"
      />
    </svg>
  );
}
