import type { JudgedPeak, PerformanceJudgement } from '../checks/judge-performance.js';
import { compareDecimals, type Decimal } from '../formats/decimal.js';
import { formatInstant, type Instant, msBetween } from '../formats/instant.js';
import type { PerformanceCheckRow } from '../storage/tables.js';

/** One band of one standard on one instrument, over time. */
export interface PeakTrend {
  readonly standard: string;
  /** cm-1. */
  readonly expected: Decimal;
  /** Latest limits it was judged by, cm-1. */
  readonly tolerance: Decimal;
  readonly action: Decimal;
  readonly warning: Decimal;
  /** Oldest first. */
  readonly points: readonly TrendPoint[];
  /** Of the straight line by least squares through the deviations, cm-1 a day; null below three points. */
  readonly slopePerDay: string | null;
  /** Of the latest point. */
  readonly state: TrendState;
}

export type TrendState = 'within' | 'warning' | 'action' | 'out';

export interface TrendPoint {
  readonly checkId: string;
  readonly checkedAt: string;
  readonly observed: Decimal;
  /** Observed less expected, cm-1, with its sign. */
  readonly deviation: string;
  readonly state: TrendState;
}

const DAY_MS = 86_400_000;

/** The positions of every band that was judged, in the order of standards and bands. */
export function performanceTrend(checks: readonly PerformanceCheckRow[]): PeakTrend[] {
  const byPeak = new Map<
    string,
    { readonly at: Instant; readonly row: PerformanceCheckRow; readonly peak: JudgedPeak }[]
  >();
  for (const row of checks) {
    if (row.judgement === null) continue;
    const { peaks } = JSON.parse(row.judgement) as PerformanceJudgement;
    for (const peak of peaks) {
      const key = `${row.standard} ${peak.expected.padStart(40, ' ')}`;
      const known = byPeak.get(key) ?? [];
      known.push({ at: row.checked_at, row, peak });
      byPeak.set(key, known);
    }
  }
  const keys = [...byPeak.keys()].sort();
  return keys.flatMap((key) => {
    const points = [...(byPeak.get(key) ?? [])].sort((a, b) => a.at - b.at);
    const last = points.at(-1);
    if (last === undefined) return [];
    const { expected, tolerance, action, warning } = last.peak;
    return [
      {
        standard: last.row.standard,
        expected,
        tolerance,
        action,
        warning,
        points: points.map(({ row, peak }) => ({
          checkId: row.check_id,
          checkedAt: formatInstant(row.checked_at),
          observed: peak.observed,
          deviation: signed(peak),
          state: stateOf(peak),
        })),
        slopePerDay: slope(points.map(({ at, peak }) => [at, Number(signed(peak))])),
        state: stateOf(last.peak),
      },
    ];
  });
}

function signed({ observed, expected, distance }: JudgedPeak): string {
  return compareDecimals(observed, expected) < 0 ? `-${distance}` : distance;
}

function stateOf({ distance, tolerance, action, warning }: JudgedPeak): TrendState {
  if (compareDecimals(distance, tolerance) > 0) return 'out';
  if (Number(distance) === 0) return 'within';
  if (compareDecimals(distance, action) >= 0) return 'action';
  return compareDecimals(distance, warning) >= 0 ? 'warning' : 'within';
}

function slope(points: readonly (readonly [Instant, number])[]): string | null {
  const [first] = points;
  if (first === undefined || points.length < 3) return null;
  const xs = points.map(([at]) => msBetween(first[0], at) / DAY_MS);
  const ys = points.map(([, deviation]) => deviation);
  const meanX = xs.reduce((a, b) => a + b, 0) / xs.length;
  const meanY = ys.reduce((a, b) => a + b, 0) / ys.length;
  let up = 0;
  let down = 0;
  xs.forEach((x, i) => {
    up += (x - meanX) * ((ys[i] as number) - meanY);
    down += (x - meanX) ** 2;
  });
  return down === 0 ? null : (up / down).toFixed(4);
}
