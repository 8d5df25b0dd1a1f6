import type { BundleRule } from '../rule.js';

export const runOrder: BundleRule = {
  info: {
    code: 'run-order',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning: 'Results or performance checks do not stand in the order of their run numbers.',
    advice: 'Nothing is lost by it; tell whoever maintains the sync software.',
  },
  find: ({ document }) =>
    (['results', 'performanceChecks'] as const).flatMap((name) =>
      document[name].flatMap(({ runNumber }, index) => {
        const before = index === 0 ? 0 : (document[name][index - 1]?.runNumber ?? 0);
        if (runNumber > before) return [];
        const message = `run ${runNumber} stands behind run ${before}`;
        return [{ pointer: `/${name}/${index}/runNumber`, message }];
      }),
    ),
};
