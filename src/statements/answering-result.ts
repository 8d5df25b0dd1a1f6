import { toleranceSetAt } from '../site/performance-settings.js';
import { spanOf } from './covering-result.js';
import type { ResultFact, StatementFacts } from './facts.js';
import { type Bracket, bracketOf } from './performance-bracket.js';

/**
 * Where a result stands between the performance checks of its instrument (rule 13); null at a site that judges none.
 * What cannot be placed among the checks of an instrument is not bracketed.
 */
export function bracketFor(
  result: ResultFact,
  { site, checks }: Pick<StatementFacts, 'site' | 'checks'>,
): Bracket | null {
  const { performance, limits } = site;
  if (performance === null) return null;
  const { instrument, runEpoch: epoch, runNumber: run, measuredAt } = result;
  if (instrument === null || epoch === null || run === null || measuredAt === null) {
    return { kind: 'open', why: 'cannot be placed among the checks of an instrument' };
  }
  const set = toleranceSetAt(performance, instrument, measuredAt);
  if (set === null) {
    return {
      kind: 'open',
      why: 'was measured when no tolerances were in force for its instrument',
    };
  }
  const span = spanOf(result);
  const ends = span === null ? [] : [span.from, span.to];
  if (ends.some((at) => toleranceSetAt(performance, instrument, at) !== set)) {
    return {
      kind: 'open',
      why: 'was measured at an assumed offset that leaves open which tolerances were in force',
    };
  }
  return bracketOf({ instrument, epoch, run, measuredAt }, checks, set, limits.clockSkewMs);
}

/**
 * True when receipt and container were both scanned, or a second person compared them (rule 2). The labels of a result
 * that a signed act attributed were read for that act; what was scanned says nothing.
 */
export function areLabelsVerified(result: ResultFact): boolean {
  if (result.attribution !== null) return result.attribution.isValid;
  return isScanned(result) || result.labelsVerifiedBy !== null;
}

function isScanned(result: ResultFact): boolean {
  return result.receiptEntry === 'scanned' && result.containerEntry === 'scanned';
}
