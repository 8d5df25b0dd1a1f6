import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceAction: BundleRule = {
  info: {
    code: 'performance-action',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'A check passes, with a band at or past the action limit.',
    advice:
      'Have the instrument adjusted or serviced before it fails: every result since its last check would be in doubt.',
  },
  find: (about) => judgedPerformance(about, 'performance-action'),
};
