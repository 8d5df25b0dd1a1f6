import type { Decimal } from '../formats/decimal.js';
import type { Method, ReferenceSpectrum } from '../site/site-folder.js';
import { type TestOutcome, testPeaks } from './peak-test.js';
import { type Disagreement, type RecheckTest, shownScore } from './recheck.js';
import { rankMaterials, referencesOfOthers, type SetReference } from './reference-set.js';
import { testResidual } from './residual-test.js';
import type { Sample } from './spectral-score.js';
import type { SpectrumValues } from './spectrum-values.js';

export interface TestsOutcome {
  readonly disagreements: readonly Disagreement[];
  /** What could not be carried out, in words. */
  readonly unclear: readonly string[];
  readonly passed: readonly string[];
}

/** What the method asks of a pass besides its score: bands, residual, distance to every other material. */
export function runIdentityTests(
  by: { readonly method: Method; readonly reference: ReferenceSpectrum },
  sample: Sample,
  scored: { readonly score: number; readonly shift: number },
  values: SpectrumValues,
  references: readonly SetReference[],
): TestsOutcome {
  const { method, reference } = by;
  const { peaks = null, residual = null, margin = null } = method.asks ?? {};
  const { axis, intensity } = values;
  const outcomes: [RecheckTest, string, TestOutcome][] = [];
  if (peaks !== null) {
    const outcome = testPeaks(peaks, axis, intensity, sample.plan.grid.step);
    outcomes.push(['peaks', '/spectrum/intensity', outcome]);
  }
  if (residual !== null) {
    const measured = { axis, intensity, shift: scored.shift };
    const outcome = testResidual(residual, sample, reference, measured);
    outcomes.push(['residual', '/spectrum/intensity', outcome]);
  }
  if (margin !== null) {
    const outcome = testMargin(margin, method, sample, scored.score, references);
    outcomes.push(['margin', '/spectrum', outcome]);
  }
  return {
    disagreements: outcomes.flatMap(([test, pointer, outcome]) =>
      outcome.kind === 'failed'
        ? [{ test, pointer, message: outcome.message, numbers: outcome.numbers }]
        : [],
    ),
    unclear: outcomes.flatMap(([, , o]) => (o.kind === 'unclear' ? [o.message] : [])),
    passed: outcomes.flatMap(([, , o]) => (o.kind === 'passed' ? [o.message] : [])),
  };
}

function testMargin(
  margin: Decimal,
  method: Method,
  sample: Sample,
  score: number,
  references: readonly SetReference[],
): TestOutcome {
  const { ranked, unscored } = rankMaterials(sample, referencesOfOthers(method, references));
  const [next] = ranked;
  const [left] = unscored;
  if (next === undefined || left !== undefined) {
    const why =
      left === undefined
        ? 'no other material has a reference'
        : `${left.reference.name} of ${left.reference.material}: ${left.reason}`;
    return { kind: 'unclear', message: `margin: ${why}` };
  }
  const lead = shownScore(score - next.score);
  const message = `${lead} ahead of ${next.material} (${next.name}), margin ${margin}`;
  if (score - next.score >= Number(margin)) return { kind: 'passed', message };
  return {
    kind: 'failed',
    message: `${shownScore(score)} is only ${message}`,
    numbers: { lead, margin, next: next.material, nextScore: shownScore(next.score) },
  };
}
