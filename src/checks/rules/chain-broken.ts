import type { BundleHistoryRule } from '../rule.js';

export const chainBroken: BundleHistoryRule = {
  info: {
    code: 'chain-broken',
    severity: 'remark',
    scope: 'bundle',
    needs: 'history',
    meaning: 'The bundle does not follow on one that was taken before.',
    advice:
      'A bundle may be under way or lost: compare with the list on the sync PC. Runs that are missing are reported apart.',
  },
  find: ({ examination, facts }) => {
    const { previousBundle, runEpoch } = examination.header;
    const { instrument } = facts;
    if (previousBundle === null) {
      const isFirst = instrument === null || (runEpoch ?? 0) > instrument.epoch;
      if (isFirst) return [];
      const message = 'names no bundle before it, though some were taken of this instrument';
      return [{ pointer: '/previousBundle', message }];
    }
    if (instrument?.bundles.has(previousBundle) === true) return [];
    return [
      {
        pointer: '/previousBundle',
        message: `names ${previousBundle} as the bundle before it, which was not taken`,
        // Read again when an earlier epoch comes late, see `missingBefore`.
        numbers: { previousBundle },
      },
    ];
  },
};
