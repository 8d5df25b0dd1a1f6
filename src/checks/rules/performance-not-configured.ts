import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceNotConfigured: BundleRule = {
  info: {
    code: 'performance-not-configured',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning:
      'The site has no tolerances in force for the instrument: the check is refused, not guessed.',
    advice:
      'Write down in performance-checks.yaml which standard, bands and tolerances count for this instrument and since when, with their source and edition; then check again. The pharmacopoeia in force and the qualification of the instrument decide.',
  },
  find: (about) => judgedPerformance(about, 'performance-not-configured'),
};
