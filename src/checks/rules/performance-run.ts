import { compareDecimals, type Decimal } from '../../formats/decimal.js';
import type { ExaminedCheck } from '../examination.js';
import { type BandPoint, bandPoints, isSameBand, runOfBand } from '../performance-run.js';
import type { BundleHistoryRule, Found } from '../rule.js';

/** Beside the warning and the action limit: a drift that stays within both. */
export const performanceRun: BundleHistoryRule = {
  info: {
    code: 'performance-run',
    severity: 'remark',
    scope: 'bundle',
    needs: 'history',
    meaning: 'A band lies on one side of its centre in so many checks in a row.',
    advice:
      'Something shifted: look at the trend of the instrument, and have it adjusted before it fails.',
    limit: 'sets[].run.points and peaks[].centre of performance-checks.yaml',
  },
  find: ({ examination, facts, sense, standing }) => {
    if (standing === 'repeated') return [];
    const own = examination.performanceChecks.filter(({ check }) => check !== null);
    const ids = new Set(own.map(({ check }) => check?.checkId));
    const points = [
      ...sense.checks.filter(({ checkId }) => !ids.has(checkId)).flatMap((check) => check.points),
      ...own.flatMap(pointsOf),
    ];
    // What came before was found when it came.
    const isNew = ({ check }: ExaminedCheck) =>
      check !== null && !facts.performanceChecks.has(check.checkId);
    return own.filter(isNew).flatMap((one) => foundOf(one, points));
  },
};

function pointsOf({ check, judgement }: ExaminedCheck): BandPoint[] {
  if (check === null || judgement === null) return [];
  const { standard, runNumber: run } = check;
  return bandPoints({ standard, run, verdict: judgement.verdict }, judgement);
}

function foundOf(one: ExaminedCheck, points: readonly BandPoint[]): Found[] {
  return pointsOf(one).flatMap((point) => {
    const run = runOfBand(points.filter((p) => isSameBand(p, point) && p.run <= point.run));
    if (run === null || !run.isPast) return [];
    const { expected, observed } = point.peak;
    const index = one.check?.shifts.findIndex((s) => compareDecimals(s.expected, expected) === 0);
    const { side, count, centre, source } = run;
    return [
      {
        pointer: `${one.pointer}/shifts/${index}/observed`,
        message: `the band at ${expected} cm-1 lies ${side} its centre ${centre} in ${count} checks in a row, observed ${observed}: expected fewer than ${run.points}`,
        numbers: { expected, observed, centre, found: String(count) },
        limit: { value: String(run.points) as Decimal, source },
      },
    ];
  });
}
