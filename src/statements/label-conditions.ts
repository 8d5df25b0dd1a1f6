import type { Condition } from '../records/statement-record.js';
import { areLabelsVerified } from './answering-result.js';
import type { Assessment } from './assess-evidence.js';
import { metUnless } from './condition.js';
import type { ResultFact } from './facts.js';

/**
 * Rule 2. Every required container is covered by a result whose receipt and container were both scanned, or whose labels a
 * second person compared with the container. A label that was typed, chosen or carried over proves nothing about
 * which container lay before the instrument.
 */
export function labelsVerified(assessment: Assessment): Condition {
  const against: string[] = [];
  for (const { label } of assessment.required) {
    const covering = (assessment.passesByContainer.get(label) ?? [])
      .filter(({ gaps }) => gaps.length === 0)
      .map(({ result }) => result);
    if (covering.some(areLabelsVerified)) continue;
    const [first] = covering;
    against.push(
      first === undefined
        ? `container ${label} is not covered yet`
        : `container ${label}: result ${first.resultId}, ${entryWords(first)}, compared by no second person`,
    );
  }
  if (assessment.required.length === 0) against.push('no container is required');
  const evidence = assessment.required.flatMap(({ label }) =>
    (assessment.passesByContainer.get(label) ?? [])
      .filter(({ result }) => result.labelsVerifiedBy !== null)
      .map(({ result }) => ({ kind: 'result', id: result.resultId })),
  );
  return metUnless(
    'labels-verified',
    against,
    evidence.length === 0
      ? 'every label was scanned'
      : `every label was scanned or compared by a second person (${evidence.length})`,
    { evidence },
  );
}

function entryWords(result: ResultFact): string {
  const words = [
    ['receipt', result.receiptEntry],
    ['container', result.containerEntry],
  ] as const;
  return words
    .filter(([, entry]) => entry !== 'scanned')
    .map(([name, entry]) => `${name} ${entry ?? 'entered unknown how'}`)
    .join(', ');
}
