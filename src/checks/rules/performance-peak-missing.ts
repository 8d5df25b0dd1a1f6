import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performancePeakMissing: BundleRule = {
  info: {
    code: 'performance-peak-missing',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'A check does not report a band that the tolerances in force ask for.',
    advice:
      'It counts as failed. See that the instrument reports every band of the list, look at the standard and its place, and check again.',
  },
  find: (about) => judgedPerformance(about, 'performance-peak-missing'),
};
