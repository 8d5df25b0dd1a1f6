import type { PerformanceFault } from './judge-performance.js';
import type { BundleCase, Found } from './rule.js';

/** What the judgement of the bundle's performance checks filed under one code. */
export function judgedPerformance({ performance }: BundleCase, code: PerformanceFault): Found[] {
  return performance.flatMap(({ found }, index) =>
    found
      .filter((place) => place.code === code)
      .map(({ code: _, pointer, ...place }) => ({
        ...place,
        pointer: `/performanceChecks/${index}${pointer}`,
      })),
  );
}
