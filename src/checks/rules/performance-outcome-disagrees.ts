import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceOutcomeDisagrees: BundleRule = {
  info: {
    code: 'performance-outcome-disagrees',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The outcome that the instrument reports is not the one that its own numbers give.',
    advice:
      'The worse of the two counts. Compare the tolerances in the instrument with those of performance-checks.yaml, and have the instrument looked at before it is used again.',
  },
  find: (about) => judgedPerformance(about, 'performance-outcome-disagrees'),
};
