import { compareDecimals, type Decimal, distanceOfDecimals } from '../formats/decimal.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { PerformanceCheck } from '../intake/result-bundle.js';
import {
  type PeakTolerance,
  type PerformanceSettings,
  type PerformanceStandard,
  type ToleranceSet,
  toleranceSetAt,
} from '../site/performance-settings.js';
import { type CheckedPeak, checkSpectrum } from './performance-spectrum.js';
import type { SpectrumReading } from './read-spectrum.js';

/** Rules of `rules/performance-*.ts`; each finds what the judgement filed under its code. */
export type PerformanceFault =
  | 'performance-time-unreadable'
  | 'performance-not-configured'
  | 'performance-standard-unknown'
  | 'performance-certificate-expired'
  | 'performance-peak-double'
  | 'performance-peak-missing'
  | 'performance-peak-unknown'
  | 'performance-out-of-tolerance'
  | 'performance-outcome-disagrees'
  | 'performance-spectrum-unreadable'
  | 'performance-spectrum-disagrees'
  | 'performance-warning'
  | 'performance-action';

export interface PerformanceFound {
  readonly code: PerformanceFault;
  /** Relative to the check. */
  readonly pointer: string;
  readonly message: string;
  readonly numbers?: Readonly<Record<string, string>>;
}

/**
 * What a performance check is worth once it was judged here.
 *
 * - `pass`: reported as passed, and its own numbers bear that out.
 * - `fail`: reported as failed, or its numbers or its spectrum do not bear a pass out. A judgement may demote a
 *   reported pass; it never makes a pass of a reported failure.
 * - `void`: reported as passed, and nobody can say: no tolerance in force, certificate expired, no readable time.
 */
export type PerformanceVerdict = 'pass' | 'fail' | 'void';

export interface PerformanceJudgement {
  readonly verdict: PerformanceVerdict;
  /** Id and source of the tolerances it was judged by; null when there were none. */
  readonly by: { readonly set: string; readonly source: string; readonly positions: string } | null;
  readonly peaks: readonly JudgedPeak[];
  readonly found: readonly PerformanceFound[];
}

export interface JudgedPeak extends CheckedPeak {
  readonly expected: Decimal;
  readonly observed: Decimal;
  /** Distance between the two, without sign. */
  readonly distance: Decimal;
  readonly tolerance: Decimal;
  readonly warning: Decimal;
  readonly action: Decimal;
  /** Where the site looks at runs on one side of the centre. */
  readonly run?: RunLimit;
}

/** From how many checks in a row on one side of the centre on a band drifts. */
export interface RunLimit {
  /** cm-1. */
  readonly centre: Decimal;
  readonly points: number;
  readonly source: string;
}

/**
 * Recomputes every deviation of a check and what follows from them, by the tolerances that were in force when it
 * was made. All comparisons of reported numbers are exact, on their digits, and limits are inclusive.
 *
 * @param checkedAt null when its time cannot be read
 */
export function judgePerformance(
  check: PerformanceCheck,
  checkedAt: Instant | null,
  serial: string,
  settings: PerformanceSettings | null,
  spectrum: SpectrumReading,
): PerformanceJudgement {
  if (checkedAt === null) {
    return unjudged(check, 'performance-time-unreadable', '/checkedAt', [
      `expected an RFC 3339 time with offset, found ${JSON.stringify(check.checkedAt)}`,
    ]);
  }
  const set = settings && toleranceSetAt(settings, serial, checkedAt);
  if (settings === null || set === null) {
    return unjudged(check, 'performance-not-configured', '', [
      settings === null
        ? 'the site folder has no performance-checks.yaml'
        : `no tolerances of the site are in force for instrument ${serial} at ${check.checkedAt}`,
    ]);
  }
  const standard = settings.standards.find(({ id }) => id === check.standard);
  const wanted = set.standards.find((entry) => entry.standard === check.standard);
  if (standard === undefined || wanted === undefined) {
    return unjudged(check, 'performance-standard-unknown', '/standard', [
      `tolerances ${set.id} name ${set.standards.map((s) => s.standard).join(', ')}, found ${JSON.stringify(check.standard)}`,
    ]);
  }
  const by = { set: set.id, source: `${set.source}, ${set.edition}`, positions: standard.source };
  const judged = judgePeaks(check, wanted.peaks, set, spectrum);
  const expired = expiry(standard, checkedAt);
  const found = [...expired, ...judged.found];
  const isBorneOut = !found.some(({ code }) => DEMOTING.has(code));
  const isJudgeable = !found.some(({ code }) => VOIDING.has(code));
  const disagrees = check.outcome === 'pass' && !isBorneOut ? [OUTCOME_DISAGREES] : [];
  return {
    verdict: check.outcome === 'fail' || !isBorneOut ? 'fail' : isJudgeable ? 'pass' : 'void',
    by,
    peaks: judged.peaks,
    found: [...found, ...disagrees],
  };
}

/** What shows that the instrument did not perform. */
const DEMOTING: ReadonlySet<PerformanceFault> = new Set([
  'performance-out-of-tolerance',
  'performance-peak-missing',
  'performance-spectrum-disagrees',
]);

/** The dangerous way round only: a failure that is reported stays one, whatever its numbers say. */
const OUTCOME_DISAGREES: PerformanceFound = {
  code: 'performance-outcome-disagrees',
  pointer: '/outcome',
  message: 'reported pass, recomputed fail: it counts as failed',
};

/** What a failure that the instrument reports itself already says: told with it, and not once more beside it. */
const SAID_BY_FAILURE: ReadonlySet<PerformanceFault> = new Set([
  ...DEMOTING,
  'performance-warning',
  'performance-action',
]);

/** What is found of a check besides that it failed. */
export function besidesFailure(
  { outcome }: PerformanceCheck,
  { found }: PerformanceJudgement,
): readonly PerformanceFound[] {
  return outcome === 'pass' ? found : found.filter(({ code }) => !SAID_BY_FAILURE.has(code));
}

/** Why a check failed by what it reports, in the order of its bands; empty when its numbers would pass. */
export function reasonsOfFailure({ found }: PerformanceJudgement): readonly PerformanceFound[] {
  return found.filter(({ code }) => DEMOTING.has(code));
}

/** What leaves nobody able to say that it did. */
const VOIDING: ReadonlySet<PerformanceFault> = new Set([
  'performance-certificate-expired',
  'performance-peak-double',
  'performance-spectrum-unreadable',
]);

function unjudged(
  check: PerformanceCheck,
  code: PerformanceFault,
  pointer: string,
  messages: readonly string[],
): PerformanceJudgement {
  return {
    verdict: check.outcome === 'fail' ? 'fail' : 'void',
    by: null,
    peaks: [],
    found: messages.map((message) => ({ code, pointer, message })),
  };
}

function expiry({ expires, source }: PerformanceStandard, at: Instant): PerformanceFound[] {
  if (expires === null || at < expires) return [];
  const message = `${source} expired at ${formatInstant(expires)}, checked at ${formatInstant(at)}`;
  return [{ code: 'performance-certificate-expired', pointer: '/standard', message }];
}

interface JudgedPeaks {
  readonly peaks: readonly JudgedPeak[];
  readonly found: readonly PerformanceFound[];
}

function judgePeaks(
  check: PerformanceCheck,
  wanted: readonly PeakTolerance[],
  set: ToleranceSet,
  spectrum: SpectrumReading,
): JudgedPeaks {
  const peaks: JudgedPeak[] = [];
  const found: PerformanceFound[] = [...spectrumFault(spectrum)];
  check.shifts.forEach(({ expected, observed }, index) => {
    const at = `/shifts/${index}`;
    const peak = wanted.find(({ shift }) => compareDecimals(shift, expected) === 0);
    if (peak === undefined) {
      const message = `tolerances ${set.id} have no band at ${expected} cm-1: not judged`;
      found.push({ code: 'performance-peak-unknown', pointer: `${at}/expected`, message });
      return;
    }
    if (peaks.some((other) => compareDecimals(other.expected, expected) === 0)) {
      const message = `the band at ${expected} cm-1 is reported twice`;
      found.push({ code: 'performance-peak-double', pointer: `${at}/expected`, message });
    }
    const distance = distanceOfDecimals(observed, peak.shift);
    const { tolerance, warning, action } = peak;
    const seen = checkSpectrum(spectrum, observed, set.spectrumTolerance);
    const judged = { expected: peak.shift, observed, distance, tolerance, warning, action };
    peaks.push({ ...judged, ...seen, ...runLimit(peak, set) });
    const numbers = { expected: peak.shift, observed, distance, tolerance, warning, action };
    const told = `observed ${observed}, expected ${peak.shift}: ${distance} cm-1 apart`;
    const limit = limitPassed(distance, peak);
    if (limit !== null) {
      const message = `${told}, ${limit.name} ${limit.value}`;
      found.push({ code: limit.code, pointer: `${at}/observed`, message, numbers });
    }
    if (seen.fault !== null) {
      found.push({
        code: 'performance-spectrum-disagrees',
        pointer: `${at}/observed`,
        message: `reported ${observed}: ${seen.fault}`,
        numbers: { reported: observed, tolerance: set.spectrumTolerance, ...seen.numbers },
      });
    }
  });
  for (const { shift } of wanted) {
    if (peaks.some(({ expected }) => compareDecimals(expected, shift) === 0)) continue;
    const message = `tolerances ${set.id} ask for the band at ${shift} cm-1, none is reported`;
    found.push({ code: 'performance-peak-missing', pointer: '/shifts', message });
  }
  return { peaks, found };
}

function runLimit({ centre }: PeakTolerance, { run }: ToleranceSet): { readonly run?: RunLimit } {
  return centre === undefined || run === undefined ? {} : { run: { centre, ...run } };
}

function spectrumFault(spectrum: SpectrumReading): PerformanceFound[] {
  // A file that the bundle's own faults are about holds the bundle, and with it the check.
  if (spectrum.kind !== 'faulty' || spectrum.fault.rule === 'bundle-file') return [];
  const { pointer, message } = spectrum.fault;
  const code = 'performance-spectrum-unreadable';
  return [{ code, pointer: `/spectrum${pointer}`, message }];
}

/** The strictest of the limits that a distance goes past: a tolerance is passed above it, the others at it. */
function limitPassed(
  distance: Decimal,
  { tolerance, action, warning }: PeakTolerance,
): { readonly code: PerformanceFault; readonly name: string; readonly value: Decimal } | null {
  if (compareDecimals(distance, tolerance) > 0) {
    return { code: 'performance-out-of-tolerance', name: 'tolerance', value: tolerance };
  }
  // At 0 nothing drifts, however low a site sets its limits.
  if (Number(distance) === 0) return null;
  if (compareDecimals(distance, action) >= 0) {
    return { code: 'performance-action', name: 'action limit', value: action };
  }
  return compareDecimals(distance, warning) >= 0
    ? { code: 'performance-warning', name: 'warning limit', value: warning }
    : null;
}
