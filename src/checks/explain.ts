import type { SignalLimits } from '../site/signal-limits.js';
import { type Clearance, clearanceOf } from './clearance.js';
import type { RuleInfo } from './rule.js';
import { listRules } from './rule-list.js';

/** What a person is told about a check by its code. */
export interface Explanation extends RuleInfo {
  /** What a finding does, in words. */
  readonly effect: string;
  /** What a reviewer may do about a finding that holds a result; null for any other. */
  readonly clearance: { readonly kind: Clearance; readonly why: string } | null;
}

export const NEEDS_IN_WORDS: Readonly<Record<RuleInfo['needs'], string>> = {
  document: 'the bundle alone',
  site: 'the bundle and the site folder',
  history: 'what came before; only the gateway applies it',
};

export const CLEARANCE_IN_WORDS: Readonly<Record<Clearance, string>> = {
  reviewer: 'by a reviewer',
  'one-of-several': 'one of several, by a reviewer',
  contrary: 'contrary results only',
  never: 'never',
};

/** What a finding's code means and what to do about it; null for a code no rule has. */
export function explainRule(code: string): Explanation | null {
  const info = listRules().find((rule) => rule.code === code);
  if (info === undefined) return null;
  const mayBeCleared = info.severity === 'hold' && info.scope === 'result';
  const { clearance: kind, why } = clearanceOf(code);
  return { ...info, effect: effectOf(info), clearance: mayBeCleared ? { kind, why } : null };
}

/** `holds the result`, `remark on the bundle`, `refuses the bytes`. */
export function effectOf({ refuses, scope, severity }: RuleInfo): string {
  if (refuses) return 'refuses the bytes';
  return severity === 'hold' ? `holds the ${scope}` : `remark on the ${scope}`;
}

/** Limits without which a rule of this code finds nothing, whatever comes. */
const NEEDED: Readonly<Record<string, (limits: SignalLimits) => boolean>> = {
  'saturation-not-checkable': ({ detectors }) =>
    detectors.some((d) => d.ceilingCounts !== undefined || d.linearMaxCounts !== undefined),
  'signal-region': ({ methods, packaging }) =>
    packaging.some((p) => p.reference !== null) ||
    methods.some((m) => m.peak !== undefined || m.noise !== undefined),
  'signal-weak': ({ methods }) => methods.some((m) => m.heightMinCounts !== undefined),
  'signal-to-noise': ({ methods }) => methods.some((m) => m.signalToNoiseMin !== undefined),
  'cosmic-spikes': ({ detectors, peaks }) =>
    peaks.spikeNoiseMultiple !== undefined && detectors.some((d) => d.resolutionCm1 !== undefined),
  'fluorescence-high': ({ methods }) => methods.some((m) => m.backgroundToHeightMax !== undefined),
  'packaging-match': ({ packaging }) => packaging.some((p) => p.reference !== null),
  'packaging-bands': ({ packaging, peaks }) =>
    peaks.bandNoiseMultiple !== undefined &&
    peaks.bandToleranceCm1 !== undefined &&
    packaging.some((p) => p.bandsMin !== null),
  'noise-duplicate': hasNoiseLimit,
  'noise-duplicate-earlier': hasNoiseLimit,
  'laser-power': ({ lasers }) => lasers.length > 0,
  'packaging-not-validated': ({ methods }) => methods.some((m) => m.packaging !== undefined),
  'ambient-light': ({ ambientLight: light, peaks }) =>
    light.backgroundRiseMax !== undefined ||
    (light.lampLinesNm !== undefined &&
      light.linesMin !== undefined &&
      peaks.bandNoiseMultiple !== undefined &&
      peaks.bandToleranceCm1 !== undefined),
  'exposure-at-maximum': ({ detectors, methods }) =>
    detectors.some((d) => d.exposureMaxMs !== undefined) &&
    methods.some((m) => m.heightAtExposureMaxCounts !== undefined),
  'cadence-impossible': ({ pace }) => pace.secondsBetweenRunsMin !== undefined,
  'operator-at-two-places': ({ pace }) => pace.secondsBetweenAreasMin !== undefined,
};

function hasNoiseLimit({ methods, noiseCorrelationMax }: SignalLimits): boolean {
  return noiseCorrelationMax !== undefined && methods.some((m) => m.noise !== undefined);
}

/** Codes of rules that the site sets no limit for and that are therefore not run. */
export function rulesWithoutLimit(limits: SignalLimits | null | undefined): string[] {
  return Object.entries(NEEDED)
    .filter(([, isSet]) => limits === null || limits === undefined || !isSet(limits))
    .map(([code]) => code);
}
