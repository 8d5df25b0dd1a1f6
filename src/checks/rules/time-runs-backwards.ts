import { parseTimestamp } from '../../formats/instant.js';
import type { BundleRule } from '../rule.js';

/** Compares instants, so the autumn hour that happens twice is no finding when offsets are right. */
export const timeRunsBackwards: BundleRule = {
  info: {
    code: 'time-runs-backwards',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning: 'A later run carries an earlier time.',
    advice:
      "Somebody set the instrument's clock between the two: check both times before relying on them.",
  },
  find: ({ document }) => {
    const timed = document.results
      .map((result, index) => ({ index, result, at: parseTimestamp(result.measuredAt) }))
      .sort((a, b) => a.result.runNumber - b.result.runNumber);
    return timed.flatMap(({ index, result, at }, place) => {
      const before = timed[place - 1];
      if (!at || !before?.at || at.instant >= before.at.instant) return [];
      const message = `run ${result.runNumber} at ${at.reported}, run ${before.result.runNumber} before it at ${before.at.reported}`;
      return [{ pointer: `/results/${index}/measuredAt`, message }];
    });
  },
};
