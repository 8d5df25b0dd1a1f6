import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceStandardUnknown: BundleRule = {
  info: {
    code: 'performance-standard-unknown',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The check was made on a standard that the tolerances in force do not name.',
    advice: 'Check on a standard of the site, or add this one with its positions and tolerances.',
  },
  find: (about) => judgedPerformance(about, 'performance-standard-unknown'),
};
