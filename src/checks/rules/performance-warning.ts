import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceWarning: BundleRule = {
  info: {
    code: 'performance-warning',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'A check passes, with a band at or past the warning limit.',
    advice: 'Watch the trend of the instrument and plan its adjustment.',
  },
  find: (about) => judgedPerformance(about, 'performance-warning'),
};
