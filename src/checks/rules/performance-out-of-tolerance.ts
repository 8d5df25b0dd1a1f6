import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceOutOfTolerance: BundleRule = {
  info: {
    code: 'performance-out-of-tolerance',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning:
      'A band of the standard lies further from its position than the tolerance in force allows.',
    advice:
      'Take the instrument out of use until it passes; results since its last passing check are in doubt.',
  },
  find: (about) => judgedPerformance(about, 'performance-out-of-tolerance'),
};
