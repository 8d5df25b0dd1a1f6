import type { Assessment } from './assess-evidence.js';
import { named } from './condition.js';
import type { ResultFact } from './facts.js';

const ATTEMPTS_SHOWN = 20;
/** Ids may be long, and what a condition found is bounded. */
const LENGTH_MAX = 1000;

/**
 * Rule 12 in words: every attempt on each container that has passes beside a contrary one without a signed cause, in
 * the order they were measured, whichever came in first. Empty when there is none.
 */
export function remeasuredSeries(assessment: Assessment): string {
  const labels = new Set(assessment.contrary.map((result) => result.containerLabel));
  const series = assessment.containers
    .filter(({ label }) => labels.has(label) && assessment.passesByContainer.has(label))
    .map(({ label }) => inWords(label, assessment));
  const text = series.length === 0 ? '' : `; ${named(series)}`;
  return text.length > LENGTH_MAX ? `${text.slice(0, LENGTH_MAX)}…` : text;
}

function inWords(label: string, assessment: Assessment): string {
  const of = (results: readonly ResultFact[], note = '') =>
    results.filter((result) => result.containerLabel === label).map((result) => ({ result, note }));
  const passes = assessment.passesByContainer.get(label) ?? [];
  const attempts = [
    ...of(assessment.contrary),
    ...of(assessment.explained, ', its cause is signed'),
    ...of(passes.map(({ result }) => result)),
  ].sort((a, b) => compare(a.result, b.result));
  const shown = attempts
    .slice(0, ATTEMPTS_SHOWN)
    .map(({ result, note }) => `${result.resultId} ${result.decision ?? 'unreadable'}${note}`);
  const more = attempts.length - shown.length;
  return `container ${label} was measured ${attempts.length} times: ${shown.join(', ')}${more > 0 ? ` and ${more} more` : ''}`;
}

/** By time, what has none last; the id decides where times are equal, so that the order is always the same. */
function compare(a: ResultFact, b: ResultFact): number {
  const byTime =
    (a.measuredAt ?? Number.MAX_SAFE_INTEGER) - (b.measuredAt ?? Number.MAX_SAFE_INTEGER);
  return byTime !== 0 ? byTime : a.resultId < b.resultId ? -1 : a.resultId > b.resultId ? 1 : 0;
}
