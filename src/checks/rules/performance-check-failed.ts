import { type PerformanceJudgement, reasonsOfFailure } from '../judge-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceCheckFailed: BundleRule = {
  info: {
    code: 'performance-check-failed',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning:
      'The instrument failed a check against its reference standard, as it reports itself. The finding says what its numbers show by the tolerances in force; a failure stays one also when all of them are within.',
    advice:
      'Take the instrument out of use until it passes; results since its last passing check are in doubt, have them judged before anybody relies on them.',
  },
  find: ({ document, performance }) =>
    document.performanceChecks.flatMap((check, index) => {
      if (check.outcome === 'pass') return [];
      const { checkId, standard, checkedAt, outcome } = check;
      const judgement = performance[index];
      return [
        {
          pointer: `/performanceChecks/${index}/outcome`,
          message: `check ${checkId} on ${standard} at ${checkedAt}: ${outcome}${judgement ? shownBy(judgement) : ''}`,
        },
      ];
    }),
};

function shownBy(judgement: PerformanceJudgement): string {
  if (judgement.by === null) return '';
  const reasons = reasonsOfFailure(judgement);
  if (reasons.length > 0) return `; ${reasons.map(({ message }) => message).join('; ')}`;
  return `; every number of it is within tolerance ${judgement.by.set}: it stays failed`;
}
