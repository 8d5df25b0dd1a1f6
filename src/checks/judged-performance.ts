import { besidesFailure, type PerformanceFault } from './judge-performance.js';
import type { BundleCase, Found } from './rule.js';

/**
 * What the judgement of the bundle's performance checks filed under one code. A failure that the instrument reports
 * itself is one finding, `performance-check-failed`, which says what its numbers show.
 */
export function judgedPerformance(
  { document, performance }: BundleCase,
  code: PerformanceFault,
): Found[] {
  return document.performanceChecks.flatMap((check, index) => {
    const judgement = performance[index];
    if (judgement === undefined) return [];
    return besidesFailure(check, judgement)
      .filter((place) => place.code === code)
      .map(({ code: _, pointer, ...place }) => ({
        ...place,
        pointer: `/performanceChecks/${index}${pointer}`,
      }));
  });
}
