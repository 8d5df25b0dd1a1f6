import type { RecheckAnswer } from './recheck.js';

/**
 * What a reviewer may do about a finding that holds a result.
 *
 * - `reviewer`: evidence from elsewhere (a clock log, a corrected registration) can answer it: may be cleared.
 * - `one-of-several`: several results claim one id: a reviewer may decide which of them stands.
 * - `contrary`: may be cleared for a contrary result only, which counts against its receipt either way.
 * - `never`: what is wrong lies in the measurement or its report: refuse it and measure again.
 */
export type Clearance = 'reviewer' | 'one-of-several' | 'contrary' | 'never';

export interface ClearanceRule {
  readonly clearance: Clearance;
  readonly why: string;
}

const METHOD: ClearanceRule = {
  clearance: 'never',
  why: 'a method counts by its registered and approved content; nobody approves it by hand afterwards',
};
const SPECTRUM: ClearanceRule = {
  clearance: 'never',
  why: 'without a usable spectrum nothing can be recomputed',
};
const CONTRADICTS: ClearanceRule = {
  clearance: 'never',
  why: 'the report contradicts itself, so nobody can say what the instrument decided',
};
const CLOCK: ClearanceRule = {
  clearance: 'reviewer',
  why: 'the clocks of instrument and sync PC can show when it was measured',
};
const DEMOTED: ClearanceRule = {
  clearance: 'contrary',
  why: 'a recheck may demote a result, nobody promotes one against it',
};
const UNCOMPUTED: ClearanceRule = {
  clearance: 'contrary',
  why: 'a result that cannot be recomputed counts only by a signed entry of the method registry',
};
const BADLY_MEASURED: ClearanceRule = {
  clearance: 'contrary',
  why: 'a spectrum of this quality bears out no pass; what speaks against the receipt may go on',
};
const WHO_MEASURED: ClearanceRule = {
  clearance: 'reviewer',
  why: 'rota, door log and the clocks can show who measured here, and when',
};
const COPIED: ClearanceRule = {
  clearance: 'never',
  why: 'one measurement stands for two containers, and nobody can say for which: both are measured again',
};
const SEVERAL: ClearanceRule = {
  clearance: 'one-of-several',
  why: 'the instrument can show which of the results was measured; the others are refused by the same act',
};

/** By code, every finding that holds a result; what is not listed here is never cleared. */
export const CLEARANCE: ReadonlyMap<string, ClearanceRule> = new Map([
  ['acquisition-impossible', { clearance: 'never', why: 'nobody can say how it was measured' }],
  ['candidates-order', CONTRADICTS],
  ['decision-mode', CONTRADICTS],
  ['decision-score', CONTRADICTS],
  [
    'instrument-not-in-service',
    {
      clearance: 'reviewer',
      why: 'the instrument’s book can show that it was in use, and qualified, when it was measured',
    },
  ],
  [
    'label-missing',
    { clearance: 'never', why: 'a result without receipt and container is attributed first' },
  ],
  ['match-without-candidate', CONTRADICTS],
  [
    'material-other',
    {
      clearance: 'reviewer',
      why: 'receipt and label can show what was presented; the result covers nothing while it names another material',
    },
  ],
  [
    'material-unknown',
    { clearance: 'reviewer', why: 'the list of materials can show what the code stands for' },
  ],
  ['method-content', METHOD],
  ['method-invalidated', METHOD],
  ['method-listed-twice', METHOD],
  ['method-mode', METHOD],
  ['method-not-approved', METHOD],
  ['method-not-in-force', METHOD],
  ['method-other-material', METHOD],
  ['method-unknown', METHOD],
  ['noise-duplicate', COPIED],
  ['noise-duplicate-earlier', COPIED],
  ['noise-duplicate-later', COPIED],
  ['operator-at-two-places', WHO_MEASURED],
  ['operator-at-two-places-later', WHO_MEASURED],
  [
    'operator-listed-twice',
    {
      clearance: 'never',
      why: 'a record names one operator, and nobody can say by which of the names',
    },
  ],
  ['packaging-match', BADLY_MEASURED],
  ['packaging-not-validated', METHOD],
  ['pass-other-candidate', CONTRADICTS],
  [
    'performance-failed-twice',
    {
      clearance: 'never',
      why: 'the instrument failed its check and the repeat too: nothing it measured between two passes bears out anything',
    },
  ],
  ['probe-cover-reused', BADLY_MEASURED],
  ['probe-cover-reused-later', BADLY_MEASURED],
  ['probe-cover-shared', BADLY_MEASURED],
  ['ranking-below-threshold', DEMOTED],
  ['ranking-near-tie', DEMOTED],
  ['ranking-not-recomputable', UNCOMPUTED],
  ['ranking-winner', DEMOTED],
  ['recheck-axis', DEMOTED],
  ['recheck-disagrees', DEMOTED],
  ['recheck-margin', DEMOTED],
  ['recheck-not-possible', UNCOMPUTED],
  ['recheck-other-material', DEMOTED],
  ['recheck-peaks', DEMOTED],
  ['recheck-residual', DEMOTED],
  ['result-conflict', SEVERAL],
  ['result-double', SEVERAL],
  ['result-repeats-held', SEVERAL],
  [
    'run-double',
    {
      clearance: 'reviewer',
      why: 'the log of the instrument can show what the second entry of the run is',
    },
  ],
  [
    'run-overlap',
    {
      clearance: 'reviewer',
      why: 'the log of the instrument can show that its counter ran again; the overlap itself stays open',
    },
  ],
  ['score-algorithm', METHOD],
  ['score-missing', CONTRADICTS],
  ['signal-region', BADLY_MEASURED],
  ['signal-saturated', BADLY_MEASURED],
  ['signal-to-noise', BADLY_MEASURED],
  ['signal-weak', BADLY_MEASURED],
  ['spectrum-axis', SPECTRUM],
  ['spectrum-constant', SPECTRUM],
  ['spectrum-duplicate', COPIED],
  ['spectrum-duplicate-earlier', COPIED],
  ['spectrum-duplicate-later', COPIED],
  ['spectrum-encoding', SPECTRUM],
  ['spectrum-file', SPECTRUM],
  [
    'spectrum-is-reference',
    {
      clearance: 'never',
      why: 'what was sent is a reference of the site, so nothing was measured',
    },
  ],
  ['spectrum-length', SPECTRUM],
  ['spectrum-points', SPECTRUM],
  ['spectrum-range', SPECTRUM],
  ['spectrum-values', SPECTRUM],
  ['threshold-other', METHOD],
  [
    'time-before-receipt',
    {
      clearance: 'reviewer',
      why: 'the dock’s papers can show that the receipt was dated wrongly; it covers nothing while it lies before the goods receipt',
    },
  ],
  ['time-future', CLOCK],
  ['time-offset', CLOCK],
  ['time-unreadable', { clearance: 'never', why: 'nobody can say when it was measured' }],
]);

const UNLISTED: ClearanceRule = {
  clearance: 'never',
  why: 'this version has no rule by which it could be cleared',
};

export function clearanceOf(code: string): ClearanceRule {
  return CLEARANCE.get(code) ?? UNLISTED;
}

export interface HeldResult {
  readonly contrary: boolean;
  readonly recheck: RecheckAnswer | null;
  /** False when the bundle was too broken to build a canonical record. */
  readonly hasRecord: boolean;
  /** Codes of the findings that hold the whole bundle. */
  readonly bundleHeldBy: readonly string[];
  /** Codes of the findings that hold this result. */
  readonly heldBy: readonly string[];
}

/** Why a held result may not be cleared; an empty list means that a reviewer may. */
export function againstClearing(result: HeldResult): string[] {
  const against: string[] = [];
  if (result.bundleHeldBy.length > 0) {
    against.push(
      `its bundle is held (${result.bundleHeldBy.join(', ')}): send it again intact, or measure again`,
    );
  }
  if (!result.hasRecord) against.push('no record could be built of it, so nothing could be sent');
  for (const code of result.heldBy) {
    const { clearance, why } = clearanceOf(code);
    if (clearance === 'never' || (clearance === 'contrary' && !result.contrary)) {
      against.push(`${code}: ${why}`);
    }
  }
  if (!result.contrary && result.recheck !== 'agrees') {
    against.push(`its recheck says ${result.recheck ?? 'nothing'}; clearing promotes nothing`);
  }
  return [...new Set(against)];
}
