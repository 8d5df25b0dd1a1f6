import { formatInstant } from '../../formats/instant.js';
import type { BundleHistoryRule, Found } from '../rule.js';

/** As `time-runs-backwards`, against the runs of other bundles. Instants, so that the autumn hour is no finding. */
export const timeAgainstRuns: BundleHistoryRule = {
  info: {
    code: 'time-against-runs',
    severity: 'remark',
    scope: 'bundle',
    needs: 'history',
    meaning: 'A run of another bundle lies before these by its number and behind them by its time.',
    advice:
      "Somebody set the instrument's clock between the two: check both times before relying on them.",
  },
  find: ({ examination, sense }) => {
    const { runBefore, runBehind } = sense;
    const timed = examination.results
      .flatMap(({ pointer, reading: { runNumber: run, measuredAt: at } }) =>
        run === null || at === null ? [] : [{ pointer, run, at }],
      )
      .sort((a, b) => a.run - b.run);
    const first = timed.at(0);
    const last = timed.at(-1);
    const found: Found[] = [];
    if (first !== undefined && runBefore !== null && runBefore.measuredAt > first.at) {
      found.push({
        pointer: `${first.pointer}/measuredAt`,
        message: `run ${first.run} at ${formatInstant(first.at)}, run ${runBefore.run} before it at ${formatInstant(runBefore.measuredAt)}`,
      });
    }
    if (last !== undefined && runBehind !== null && runBehind.measuredAt < last.at) {
      found.push({
        pointer: `${last.pointer}/measuredAt`,
        message: `run ${last.run} at ${formatInstant(last.at)}, run ${runBehind.run} behind it at ${formatInstant(runBehind.measuredAt)}`,
      });
    }
    return found;
  },
};
