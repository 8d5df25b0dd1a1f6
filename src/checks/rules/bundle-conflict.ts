import type { BundleHistoryRule } from '../rule.js';

export const bundleConflict: BundleHistoryRule = {
  info: {
    code: 'bundle-conflict',
    severity: 'hold',
    scope: 'bundle',
    needs: 'history',
    meaning: 'Another bundle was taken before under the same id.',
    advice: 'Both are kept. Find out at the sync PC which one is right, and why there are two.',
  },
  find: ({ examination, facts, standing }) =>
    standing !== 'conflict'
      ? []
      : [
          {
            pointer: '/bundleId',
            message: `${examination.header.bundleId} was taken before with content ${facts.sameBundleId}, this one has ${examination.canonicalDigest ?? 'more than is read'}`,
          },
        ],
};
