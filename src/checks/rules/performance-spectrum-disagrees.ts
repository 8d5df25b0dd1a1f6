import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceSpectrumDisagrees: BundleRule = {
  info: {
    code: 'performance-spectrum-disagrees',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The spectrum of a check does not show a band where the check reports it.',
    advice:
      'The check counts as failed: position and spectrum cannot both be right. Have the evaluation of the instrument looked at, and check again.',
  },
  find: (about) => judgedPerformance(about, 'performance-spectrum-disagrees'),
};
