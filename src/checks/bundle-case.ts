import type { Instant } from '../formats/instant.js';
import type { ManifestPart, ResultBundle } from '../intake/result-bundle.js';
import type { BundleTraces } from './bundle-traces.js';
import type { PerformanceJudgement } from './judge-performance.js';
import { methodKey } from './method-key.js';
import type { BundleCase } from './rule.js';
import type { RunRange } from './run-ranges.js';
import type { SiteIndex } from './site-index.js';
import type { FileFault } from './spectrum-files.js';

/** Gathers once what several rules look up. */
export function bundleCase(options: {
  readonly document: ResultBundle;
  readonly site: SiteIndex;
  readonly parts: readonly ManifestPart[];
  readonly missing: readonly RunRange[];
  readonly fileFaults: readonly FileFault[];
  readonly traces: BundleTraces;
  readonly performance: readonly PerformanceJudgement[];
  readonly now: Instant;
}): BundleCase {
  const { document, site } = options;
  const entries = [...document.results, ...document.performanceChecks];
  return {
    ...options,
    instrument: site.instruments.get(document.instrument.serial) ?? null,
    runCounts: countOf(entries.map((entry) => entry.runNumber)),
    resultIdCounts: countOf(document.results.map((result) => result.resultId)),
    methodDigests: new Map(document.methods.map((method) => [methodKey(method), method.digest])),
    operatorIds: new Set(document.operators.map((operator) => operator.id)),
    methodsInDoubt: inDoubt(document.methods.map((method) => [methodKey(method), method.digest])),
    operatorsInDoubt: inDoubt(document.operators.map(({ id, name }) => [id, name])),
  };
}

/** Keys that stand with more than one value. */
function inDoubt(entries: readonly (readonly [key: string, value: string])[]): ReadonlySet<string> {
  const values = new Map<string, string>();
  const doubted = new Set<string>();
  for (const [key, value] of entries) {
    const known = values.get(key);
    if (known === undefined) values.set(key, value);
    else if (known !== value) doubted.add(key);
  }
  return doubted;
}

function countOf<T>(values: readonly T[]): ReadonlyMap<T, number> {
  const counts = new Map<T, number>();
  for (const value of values) counts.set(value, (counts.get(value) ?? 0) + 1);
  return counts;
}
