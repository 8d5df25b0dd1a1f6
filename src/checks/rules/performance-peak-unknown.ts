import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performancePeakUnknown: BundleRule = {
  info: {
    code: 'performance-peak-unknown',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'A check reports a band that the tolerances in force do not name.',
    advice: 'Nothing is concluded from it. Add the band to the tolerances if it should count.',
  },
  find: (about) => judgedPerformance(about, 'performance-peak-unknown'),
};
