import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceOutcomeDisagrees: BundleRule = {
  info: {
    code: 'performance-outcome-disagrees',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning:
      'The instrument reports a check as passed that failed by its own numbers or its spectrum. The other way round is performance-check-failed alone.',
    advice:
      'It counts as failed. Compare the tolerances in the instrument with those of performance-checks.yaml, and have the instrument looked at before it is used again.',
  },
  find: (about) => judgedPerformance(about, 'performance-outcome-disagrees'),
};
