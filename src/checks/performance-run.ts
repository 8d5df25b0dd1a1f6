import { compareDecimals, type Decimal } from '../formats/decimal.js';
import type { JudgedPeak, PerformanceJudgement, PerformanceVerdict } from './judge-performance.js';

/** One judged band of one performance check of an instrument. */
export interface BandPoint {
  readonly standard: string;
  /** Number of the check among the runs of its epoch. */
  readonly run: number;
  /** Id of the tolerances it was judged by. */
  readonly set: string;
  readonly peak: JudgedPeak;
}

/** Checks in a row whose band lies on one side of its centre, the latest one included. */
export interface BandRun {
  readonly side: 'above' | 'below';
  readonly count: number;
  /** Of the latest check, see `RunLimit`. */
  readonly centre: Decimal;
  readonly points: number;
  readonly source: string;
  /** True once the run is as long as the limit says. */
  readonly isPast: boolean;
}

/** The bands of a check; none of one that was not judged or counts for nothing. */
export function bandPoints(
  check: { readonly standard: string; readonly run: number; readonly verdict: PerformanceVerdict },
  judgement: PerformanceJudgement | null,
): BandPoint[] {
  if (judgement === null || judgement.by === null || check.verdict === 'void') return [];
  const { set } = judgement.by;
  return judgement.peaks.map((peak) => ({ standard: check.standard, run: check.run, set, peak }));
}

/** True for points of one band of one standard. */
export function isSameBand(a: BandPoint, b: BandPoint): boolean {
  return a.standard === b.standard && compareDecimals(a.peak.expected, b.peak.expected) === 0;
}

/**
 * The run that ends with the latest of these points. A point on the centre belongs to neither side and ends it, and so
 * do other tolerances: behind an adjustment a site writes down another centre, and a chart begins anew.
 *
 * @param points of one band in one epoch of one instrument, in any order
 * @return null where the latest one lies on its centre, or nothing says how long a run may be
 */
export function runOfBand(points: readonly BandPoint[]): BandRun | null {
  const latestFirst = [...points].sort((a, b) => b.run - a.run);
  const [latest] = latestFirst;
  const limit = latest?.peak.run;
  const side = latest && sideOf(latest.peak);
  if (latest === undefined || limit === undefined || !side) return null;
  const end = latestFirst.findIndex((p) => p.set !== latest.set || sideOf(p.peak) !== side);
  const count = end === -1 ? latestFirst.length : end;
  return { side, count, ...limit, isPast: count >= limit.points };
}

function sideOf({ observed, run }: JudgedPeak): BandRun['side'] | null {
  const order = run === undefined ? 0 : compareDecimals(observed, run.centre);
  if (order === 0) return null;
  return order > 0 ? 'above' : 'below';
}
