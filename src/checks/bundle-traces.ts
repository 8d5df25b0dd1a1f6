import { type BundleResult, isSpectrumFile } from '../intake/result-bundle.js';
import { containerKey, normaliseLabel } from '../receipts/label.js';
import { pearson } from './correlation.js';
import { copyDigest, isSameSpectrum, type SpectrumDigests } from './intensity-digest.js';
import { curveCorrelation, decodeCurve, isSameAxis, type NoiseCurve } from './noise-curve.js';
import type { SpectrumReading } from './read-spectrum.js';
import type { StoredNoise } from './sense-facts.js';
import type { Signal } from './signal.js';
import { patternSteps } from './signal-region.js';

/**
 * Traces before and behind one that its noise is compared with, of its method, of its key and of any each; more would cost
 * without end.
 */
export const NOISE_LOOK_BACK = 50;

/** The noise of a result, see `NoisePattern`. */
export interface TracePattern {
  readonly key: string;
  /** null of results that were stored before it was kept: these are compared with those of their key only. */
  readonly method: string | null;
  readonly steps: Int8Array;
  /** null of results that were stored before it was kept: these are compared point by point only. */
  readonly curve: NoiseCurve | null;
}

export function tracePattern({ key, method, steps, curve }: StoredNoise): TracePattern {
  return {
    key,
    method,
    steps: patternSteps(steps),
    curve: curve === null ? null : decodeCurve(curve),
  };
}

/** What of a result is compared with other results of its bundle, and kept for later ones. */
export interface Trace extends SpectrumDigests {
  readonly index: number;
  readonly resultId: string;
  /** Receipt and container as scanned, normalised; null while one of them is missing. */
  readonly container: string | null;
  /** In words. */
  readonly place: string;
  readonly material: string | null;
  readonly cover: string | null;
  readonly pattern: TracePattern | null;
}

export interface BundleTraces {
  /** In the order of the results. */
  readonly all: readonly Trace[];
  /** By `copyDigest`. */
  readonly bySpectrum: ReadonlyMap<string, readonly Trace[]>;
  readonly byCover: ReadonlyMap<string, readonly Trace[]>;
  /** Of results of other containers whose noise is the same, by index, with the correlation. */
  readonly sameNoise: ReadonlyMap<number, { readonly other: Trace; readonly r: number }>;
}

/** Gathers what results of one bundle have in common. */
export function bundleTraces(
  results: readonly BundleResult[],
  readings: readonly SpectrumReading[],
  signals: readonly (Signal | null)[],
  noiseCorrelationMax: number | null,
): BundleTraces {
  const all = results.map((result, index) =>
    traceOf(result, index, readings[index], signals[index]),
  );
  return {
    all,
    bySpectrum: grouped(all, copyDigest),
    byCover: grouped(all, (trace) => trace.cover),
    sameNoise: noiseCorrelationMax === null ? new Map() : repeatedNoise(all, noiseCorrelationMax),
  };
}

function traceOf(
  result: BundleResult,
  index: number,
  reading: SpectrumReading | undefined,
  signal: Signal | null | undefined,
): Trace {
  const { receipt, container } = result;
  const pattern = signal?.pattern ?? null;
  return {
    index,
    resultId: result.resultId,
    container: scannedContainer(receipt?.scanned ?? null, container?.scanned ?? null),
    place: `receipt ${receipt?.scanned ?? 'unknown'}, container ${container?.scanned ?? 'unknown'}`,
    material: result.material,
    cover: coverOf(result),
    sha256: reading?.kind === 'read' ? reading.summary.sha256 : null,
    intensitySha256: reading?.kind === 'read' ? reading.intensitySha256 : null,
    pattern: pattern && tracePattern(pattern),
  };
}

/** Receipt and container as scanned, so that two spellings of one label are one container. */
export function scannedContainer(receipt: string | null, container: string | null): string | null {
  const keys = [normaliseLabel(receipt ?? ''), containerKey(container ?? '')];
  return keys.includes('') ? null : JSON.stringify(keys);
}

/**
 * Number of the disposable cover of an immersion probe, normalised; null without one. Under another kind only what has a
 * number: a cover that is named was in the container, and a word such as `none` names no cover.
 */
export function coverOf({ presentation }: Pick<BundleResult, 'presentation'>): string | null {
  const key = normaliseLabel(presentation.probeCover ?? '');
  if (presentation.kind !== 'immersion-probe' && !/[1-9]/.test(key)) return null;
  return key === '' ? null : key;
}

/** True when two results are of containers that are known to differ. */
export function isOtherContainer(a: string | null, b: string | null): boolean {
  return a !== null && b !== null && a !== b;
}

/** Where a finding about the values of a spectrum points. */
export function valuesPointer({ spectrum }: BundleResult): string {
  return spectrum !== null && isSpectrumFile(spectrum) ? '/spectrum/file' : '/spectrum/intensity';
}

function repeatedNoise(all: readonly Trace[], max: number) {
  const found = new Map<number, { other: Trace; r: number }>();
  const compare = (trace: Trace, other: Trace) => {
    if (!isOtherContainer(trace.container, other.container)) return;
    const r = sameNoise(trace, other, max);
    if (r === null) return;
    if (!found.has(trace.index)) found.set(trace.index, { other, r });
    if (!found.has(other.index)) found.set(other.index, { other: trace, r });
  };
  for (const [trace, other] of pairsWithin(all, (t) => t.pattern?.key ?? null)) {
    compare(trace, other);
  }
  for (const [trace, other] of pairsWithin(all, (t) => t.pattern?.method ?? null)) {
    // Of one key they were compared as such already.
    if (trace.pattern?.key !== other.pattern?.key) compare(trace, other);
  }
  for (const [trace, other] of pairsWithin(all, (t) => (t.pattern === null ? null : ''))) {
    if (trace.pattern && other.pattern && !isSameKind(trace.pattern, other.pattern)) {
      compare(trace, other);
    }
  }
  return found;
}

/** Each trace with those of its kind before it, as far as these are looked at. */
function* pairsWithin(
  all: readonly Trace[],
  kindOf: (trace: Trace) => string | null,
): Generator<[Trace, Trace]> {
  for (const alike of grouped(all, kindOf).values()) {
    for (const [place, trace] of alike.entries()) {
      for (let i = Math.max(0, place - NOISE_LOOK_BACK); i < place; i++) {
        yield [trace, alike[i] as Trace];
      }
    }
  }
}

/**
 * The correlation of two patterns of noise at or above a limit, else null. Identical spectra are another finding.
 */
export function sameNoise(
  a: SpectrumDigests & Pick<Trace, 'pattern'>,
  b: SpectrumDigests & Pick<Trace, 'pattern'>,
  max: number,
): number | null {
  if (a.pattern === null || b.pattern === null || isSameSpectrum(a, b)) return null;
  return samePattern(a.pattern, b.pattern, max);
}

/**
 * Point by point where both are of one kind or of the same points, and by their shifts where their points are others: of
 * another axis, or some of them left out.
 */
function samePattern(a: TracePattern, b: TracePattern, max: number): number | null {
  const hasCurves = a.curve !== null && b.curve !== null;
  const isSamePoints = hasCurves && isSameAxis(a.curve, b.curve);
  const found = isSamePoints || isSameKind(a, b) ? sameSteps(a.steps, b.steps, max) : null;
  if (found !== null || !hasCurves || isSamePoints) return found;
  return curveCorrelation(a.curve, b.curve, max);
}

function isSameKind(a: TracePattern, b: TracePattern): boolean {
  return a.key === b.key || (a.method !== null && a.method === b.method);
}

/**
 * The highest correlation with one laid on the other, or moved by one point either way, at or above a limit, else null:
 * an axis that was shifted by less than its step lets the region begin one point earlier or later, and hold one point more
 * or less.
 */
function sameSteps(a: Int8Array, b: Int8Array, max: number): number | null {
  if (Math.abs(a.length - b.length) > 1) return null;
  let highest: number | null = null;
  for (const [fromA, fromB] of ALIGNED) {
    const n = Math.min(a.length - fromA, b.length - fromB);
    const r = pearson(a.subarray(fromA, fromA + n), b.subarray(fromB, fromB + n));
    if (r !== null && r >= max && r > (highest ?? -1)) highest = r;
  }
  return highest;
}

/** First points of two patterns that are laid on each other. */
const ALIGNED = [
  [0, 0],
  [1, 0],
  [0, 1],
] as const;

/**
 * Those of some kept patterns that `sameNoise` may find in one of the bundle's own, in their order, one of them a step. Of the
 * others nothing more has to be known: nearly all of them, as long as nobody copies.
 */
export function* mayRepeatNoise<Row extends { readonly noise: StoredNoise }>(
  own: readonly StoredNoise[],
  kept: readonly Row[],
  max: number,
): Generator<void, Row[]> {
  const patterns = own.map(tracePattern);
  const alike: Row[] = [];
  for (const row of kept) {
    const pattern = tracePattern(row.noise);
    if (patterns.some((one) => samePattern(one, pattern, max) !== null)) alike.push(row);
    yield;
  }
  return alike;
}

function grouped(
  all: readonly Trace[],
  keyOf: (trace: Trace) => string | null,
): Map<string, Trace[]> {
  const groups = new Map<string, Trace[]>();
  for (const trace of all) {
    const key = keyOf(trace);
    if (key === null) continue;
    const group = groups.get(key);
    if (group) group.push(trace);
    else groups.set(key, [trace]);
  }
  return groups;
}
