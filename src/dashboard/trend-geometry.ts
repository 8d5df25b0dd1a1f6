import { parseTimestamp } from '../formats/instant.js';
import type { PeakTrend, TrendState } from '../statements/performance-view.js';

/** Of the drawing, in its own units; small, so that its letters stay readable on a telephone. */
export const CHART = { width: 384, height: 180, left: 46, right: 82, top: 8, bottom: 20 } as const;

export interface ChartLine {
  readonly kind: 'expected' | 'warning' | 'action' | 'tolerance';
  readonly y: number;
  /** null where another line lies so near that the words would overlap. */
  readonly label: string | null;
}

export interface ChartPoint {
  readonly x: number;
  readonly y: number;
  readonly state: TrendState;
  /** Date, position and state, for whoever points at it or has it read out. */
  readonly title: string;
}

export interface ChartGeometry {
  readonly lines: readonly ChartLine[];
  readonly points: readonly ChartPoint[];
  /** First and last time, as the table writes them. */
  readonly ends: readonly [string, string];
  /** Positions at the top and the bottom of the drawing, cm-1. */
  readonly span: readonly [high: string, low: string];
}

/** Two lines nearer than this share their words. */
const LABEL_GAP = 11;

/**
 * Where lines and points of a band's chart lie. The scale always shows both tolerances, so that a band within them
 * never looks as if it had moved far, and whatever lies beyond.
 *
 * @param timeText a time as the page writes it
 */
export function chartGeometry(
  trend: PeakTrend,
  timeText: (text: string) => string,
): ChartGeometry | null {
  const [first, last] = [trend.points[0], trend.points.at(-1)];
  if (first === undefined || last === undefined) return null;
  const expected = Number(trend.expected);
  const deviations = trend.points.map(({ deviation }) => Number(deviation));
  const reach = 1.15 * Math.max(Number(trend.tolerance), ...deviations.map(Math.abs), 0.01);
  const inner = CHART.height - CHART.top - CHART.bottom;
  const yOf = (deviation: number) => round(CHART.top + ((reach - deviation) / (2 * reach)) * inner);
  const [from, to] = [timeOf(first.checkedAt), timeOf(last.checkedAt)];
  const width = CHART.width - CHART.left - CHART.right;
  const xOf = (time: number) =>
    round(
      CHART.left + (to > from ? (0.03 + (0.94 * (time - from)) / (to - from)) * width : width / 2),
    );
  return {
    lines: linesOf(trend, yOf),
    points: trend.points.map(({ checkedAt, observed, deviation, state }) => ({
      x: xOf(timeOf(checkedAt)),
      y: yOf(Number(deviation)),
      state,
      title: `${timeText(checkedAt)}: ${observed} cm-1, ${signedText(deviation)}, ${STATE_WORDS[state]}`,
    })),
    ends: [timeText(first.checkedAt), timeText(last.checkedAt)],
    span: [(expected + reach).toFixed(1), (expected - reach).toFixed(1)],
  };
}

const STATE_WORDS: Readonly<Record<TrendState, string>> = {
  within: 'within',
  warning: 'at the warning limit',
  action: 'at the action limit',
  out: 'out of tolerance',
};

/** `+0.2`, `-0.2`, `0.0`. */
export function signedText(deviation: string): string {
  return Number(deviation) > 0 ? `+${deviation}` : deviation;
}

function linesOf(trend: PeakTrend, yOf: (deviation: number) => number): ChartLine[] {
  const lines: ChartLine[] = [];
  const taken: number[] = [];
  const add = (kind: ChartLine['kind'], deviation: number, label: string) => {
    const y = yOf(deviation);
    const isFree = taken.every((other) => Math.abs(other - y) >= LABEL_GAP);
    if (isFree) taken.push(y);
    lines.push({ kind, y, label: isFree ? label : null });
  };
  add('expected', 0, 'expected');
  for (const kind of ['tolerance', 'action', 'warning'] as const) {
    const limit = trend[kind];
    add(kind, Number(limit), `${kind} +${limit}`);
    add(kind, -Number(limit), `${kind} -${limit}`);
  }
  return lines;
}

function timeOf(text: string): number {
  return parseTimestamp(text)?.instant ?? 0;
}

function round(value: number): number {
  return Math.round(value * 10) / 10;
}
