import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceSpectrumUnreadable: BundleRule = {
  info: {
    code: 'performance-spectrum-unreadable',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The spectrum of a performance check cannot be read.',
    advice: 'The check brackets nothing. Have the export looked at, and check again.',
  },
  find: (about) => judgedPerformance(about, 'performance-spectrum-unreadable'),
};
