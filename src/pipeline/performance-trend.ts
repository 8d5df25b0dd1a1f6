import type { JudgedPeak, PerformanceJudgement } from '../checks/judge-performance.js';
import { bandPoints, runOfBand } from '../checks/performance-run.js';
import { compareDecimals } from '../formats/decimal.js';
import { formatInstant, type Instant, msBetween } from '../formats/instant.js';
import type { PeakTrend, TrendState, WorstDeviation } from '../statements/performance-view.js';
import type { PerformanceCheckRow } from '../storage/tables.js';

const DAY_MS = 86_400_000;

/** The positions of every band that was judged, in the order of standards and bands. */
export function performanceTrend(checks: readonly PerformanceCheckRow[]): PeakTrend[] {
  const byPeak = new Map<
    string,
    {
      readonly at: Instant;
      readonly row: PerformanceCheckRow;
      readonly peak: JudgedPeak;
      readonly by: PerformanceJudgement['by'];
    }[]
  >();
  for (const row of checks) {
    if (row.judgement === null) continue;
    const { peaks, by } = JSON.parse(row.judgement) as PerformanceJudgement;
    for (const peak of peaks) {
      const key = `${row.standard} ${peak.expected.padStart(40, ' ')}`;
      const known = byPeak.get(key) ?? [];
      known.push({ at: row.checked_at, row, peak, by });
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
        // Another epoch is another chart.
        run: runOfBand(
          points
            .filter(({ row }) => row.run_epoch === last.row.run_epoch)
            .flatMap(({ row, peak, by }) =>
              bandPoints({ ...row, run: row.run_number }, { ...row, by, peaks: [peak], found: [] }),
            ),
        ),
      },
    ];
  });
}

/** The band that used up most of its tolerance; null where none was judged. */
export function worstDeviation({ judgement }: PerformanceCheckRow): WorstDeviation | null {
  const { peaks } = JSON.parse(judgement ?? '{"peaks":[]}') as Pick<PerformanceJudgement, 'peaks'>;
  let worst: JudgedPeak | null = null;
  for (const peak of peaks) if (worst === null || share(peak) > share(worst)) worst = peak;
  if (worst === null) return null;
  const { expected, tolerance } = worst;
  return { expected, deviation: signed(worst), tolerance, state: stateOf(worst) };
}

function share({ distance, tolerance }: JudgedPeak): number {
  const [far, allowed] = [Number(distance), Number(tolerance)];
  if (allowed > 0) return far / allowed;
  return far > 0 ? Number.POSITIVE_INFINITY : 0;
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
  // Checks of one shift say nothing about a day.
  if ((xs.at(-1) ?? 0) < 1) return null;
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
