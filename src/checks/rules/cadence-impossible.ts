import { msBetween, parseTimestamp } from '../../formats/instant.js';
import type { BundleRule } from '../rule.js';

export const cadenceImpossible: BundleRule = {
  info: {
    code: 'cadence-impossible',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'Two runs of one instrument follow faster than a person can measure two containers.',
    advice: 'Ask at the dock what was measured; look for one container under two labels.',
    limit: 'pace.secondsBetweenRunsMin',
  },
  find: ({ document, site }) => {
    const limit = site.folder.signal?.pace.secondsBetweenRunsMin;
    if (limit === undefined) return [];
    const timed = document.results
      .map((result, index) => ({ index, result, at: parseTimestamp(result.measuredAt) }))
      .sort((a, b) => a.result.runNumber - b.result.runNumber);
    return timed.flatMap(({ index, result, at }, place) => {
      const before = timed[place - 1];
      if (!at || !before?.at || at.instant < before.at.instant) return [];
      const seconds = msBetween(before.at.instant, at.instant) / 1000;
      if (seconds >= Number(limit.value)) return [];
      return [
        {
          pointer: `/results/${index}/measuredAt`,
          message: `run ${result.runNumber} follows run ${before.result.runNumber} after ${seconds} s, expected at least ${limit.value} s`,
          numbers: { found: String(seconds) },
          limit,
        },
      ];
    });
  },
};
