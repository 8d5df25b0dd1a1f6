import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performancePeakDouble: BundleRule = {
  info: {
    code: 'performance-peak-double',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'A check reports one band twice.',
    advice: 'Have the export of the instrument looked at, and check again.',
  },
  find: (about) => judgedPerformance(about, 'performance-peak-double'),
};
