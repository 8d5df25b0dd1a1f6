import type { JSX } from 'preact';
import type { PeakTrend, TrendState } from '../statements/performance-view.js';
import { CHART, type ChartPoint, chartGeometry } from './trend-geometry.js';

/** Positions of one band over time between its limits, drawn by the server. */
export function TrendChart(props: {
  readonly trend: PeakTrend;
  readonly timeText: (text: string) => string;
}): JSX.Element | null {
  const { trend } = props;
  const drawn = chartGeometry(trend, props.timeText);
  if (drawn === null) return null;
  const { width, height, left, right, top, bottom } = CHART;
  const [end, base] = [width - right, height - bottom];
  const name = `Positions of the band at ${trend.expected} cm-1 of ${trend.standard} from ${drawn.ends[0]} to ${drawn.ends[1]}, ${trend.points.length} checks; the table below holds the numbers`;
  return (
    <svg class="chart" viewBox={`0 0 ${width} ${height}`} role="img" aria-label={name}>
      <rect class="frame" x={left} y={top} width={end - left} height={base - top} />
      {drawn.lines.map(({ kind, y, label }) => (
        <g key={`${kind} ${y}`}>
          <line class={kind} x1={left} x2={end} y1={y} y2={y} />
          {label === null ? null : (
            <text x={end + 4} y={y + 3.5}>
              {label}
            </text>
          )}
        </g>
      ))}
      <polyline class="run" points={drawn.points.map(({ x, y }) => `${x},${y}`).join(' ')} />
      {drawn.points.map((point, i) => (
        <Point key={i} point={point} />
      ))}
      <text x={left - 4} y={top + 8} text-anchor="end">
        {drawn.span[0]}
      </text>
      <text x={left - 4} y={base} text-anchor="end">
        {drawn.span[1]}
      </text>
      <text x={left - 4} y={(top + base) / 2 + 3.5} text-anchor="end">
        {trend.expected}
      </text>
      <text x={left} y={height - 6}>
        {drawn.ends[0].slice(0, 16)}
      </text>
      {trend.points.length < 2 ? null : (
        <text x={end} y={height - 6} text-anchor="end">
          {drawn.ends[1].slice(0, 16)}
        </text>
      )}
    </svg>
  );
}

function Point({ point }: { readonly point: ChartPoint }): JSX.Element {
  const { x, y, state, title } = point;
  return (
    <path class={`point point-${state}`} d={outline(state)} transform={`translate(${x} ${y})`}>
      <title>{title}</title>
    </path>
  );
}

/** A disc, a triangle, a square, a cross: told apart without colour. */
function outline(state: TrendState): string {
  switch (state) {
    case 'within':
      return 'M-3.2 0a3.2 3.2 0 1 0 6.4 0a3.2 3.2 0 1 0-6.4 0Z';
    case 'warning':
      return 'M0-4.4 4.2 3.2H-4.2Z';
    case 'action':
      return 'M-3.6-3.6H3.6V3.6H-3.6Z';
    case 'out':
      return 'M-4.8-3.2-3.2-4.8 0-1.6 3.2-4.8 4.8-3.2 1.6 0 4.8 3.2 3.2 4.8 0 1.6-3.2 4.8-4.8 3.2-1.6 0Z';
  }
}

/** What lines and shapes mean. */
export function ChartLegend(): JSX.Element {
  const shapes: readonly (readonly [TrendState, string])[] = [
    ['within', 'within'],
    ['warning', 'at the warning limit'],
    ['action', 'at the action limit'],
    ['out', 'out of tolerance'],
  ];
  const lines = ['expected', 'warning', 'action', 'tolerance'] as const;
  return (
    <p class="small legend">
      {shapes.map(([state, word]) => (
        <span key={state}>
          <svg class="chart" viewBox="-6 -6 12 12" aria-hidden="true">
            <path class={`point point-${state}`} d={outline(state)} />
          </svg>{' '}
          {word}
        </span>
      ))}
      <span>Lines, as of the latest check:</span>
      {lines.map((kind) => (
        <span key={kind}>
          <svg class="chart wide" viewBox="0 -6 24 12" aria-hidden="true">
            <line class={kind} x1={0} x2={24} y1={0} y2={0} />
          </svg>{' '}
          {kind}
        </span>
      ))}
    </p>
  );
}
