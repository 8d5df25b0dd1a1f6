import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceTimeUnreadable: BundleRule = {
  info: {
    code: 'performance-time-unreadable',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The time of a performance check is no time that exists.',
    advice:
      'Correct the clock of the instrument and check again: a check without a time brackets nothing.',
  },
  find: (about) => judgedPerformance(about, 'performance-time-unreadable'),
};
