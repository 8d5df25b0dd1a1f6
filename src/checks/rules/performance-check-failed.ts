import type { BundleRule } from '../rule.js';

export const performanceCheckFailed: BundleRule = {
  info: {
    code: 'performance-check-failed',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The instrument failed a check against its reference standard.',
    advice:
      'Take the instrument out of use until it passes; results since its last passing check are in doubt, have them judged before anybody relies on them.',
  },
  find: ({ document }) =>
    document.performanceChecks.flatMap((check, index) =>
      check.outcome === 'pass'
        ? []
        : [
            {
              pointer: `/performanceChecks/${index}/outcome`,
              message: `check ${check.checkId} on ${check.standard} at ${check.checkedAt}: ${check.outcome}`,
            },
          ],
    ),
};
