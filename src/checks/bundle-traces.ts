import { type BundleResult, isSpectrumFile } from '../intake/result-bundle.js';
import { containerKey, normaliseLabel } from '../receipts/label.js';
import { pearson } from './correlation.js';
import type { SpectrumReading } from './read-spectrum.js';
import type { Signal } from './signal.js';
import { patternSteps } from './signal-region.js';

/** Traces of one kind before and behind one that its noise is compared with; more would cost without end. */
export const NOISE_LOOK_BACK = 50;

/** What of a result is compared with other results of its bundle, and kept for later ones. */
export interface Trace {
  readonly index: number;
  readonly resultId: string;
  /** Receipt and container as scanned, normalised; null while one of them is missing. */
  readonly container: string | null;
  /** In words. */
  readonly place: string;
  readonly material: string | null;
  readonly cover: string | null;
  readonly sha256: string | null;
  readonly pattern: { readonly key: string; readonly steps: Int8Array } | null;
}

export interface BundleTraces {
  /** In the order of the results. */
  readonly all: readonly Trace[];
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
    bySpectrum: grouped(all, (trace) => trace.sha256),
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
    pattern: pattern && { key: pattern.key, steps: patternSteps(pattern.steps) },
  };
}

/** Receipt and container as scanned, so that two spellings of one label are one container. */
export function scannedContainer(receipt: string | null, container: string | null): string | null {
  const keys = [normaliseLabel(receipt ?? ''), containerKey(container ?? '')];
  return keys.includes('') ? null : JSON.stringify(keys);
}

/** Number of the disposable cover of an immersion probe, normalised; null without one. */
export function coverOf({ presentation }: Pick<BundleResult, 'presentation'>): string | null {
  if (presentation.kind !== 'immersion-probe') return null;
  const key = normaliseLabel(presentation.probeCover ?? '');
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
  for (const alike of grouped(all, (trace) => trace.pattern?.key ?? null).values()) {
    for (const [place, trace] of alike.entries()) {
      for (const other of alike.slice(Math.max(0, place - NOISE_LOOK_BACK), place)) {
        if (!isOtherContainer(trace.container, other.container)) continue;
        const r = sameNoise(trace, other, max);
        if (r === null) continue;
        if (!found.has(trace.index)) found.set(trace.index, { other, r });
        if (!found.has(other.index)) found.set(other.index, { other: trace, r });
      }
    }
  }
  return found;
}

/**
 * The correlation of two patterns of noise at or above a limit, else null. Identical spectra are another finding.
 */
export function sameNoise(
  a: Pick<Trace, 'sha256' | 'pattern'>,
  b: Pick<Trace, 'sha256' | 'pattern'>,
  max: number,
): number | null {
  if (a.pattern === null || b.pattern === null || a.sha256 === b.sha256) return null;
  if (a.pattern.key !== b.pattern.key) return null;
  return sameSteps(a.pattern.steps, b.pattern.steps, max);
}

function sameSteps(a: Int8Array, b: Int8Array, max: number): number | null {
  if (a.length !== b.length) return null;
  const r = pearson(a, b);
  return r !== null && r >= max ? r : null;
}

/**
 * Those of some kept patterns of one key that `sameNoise` may find in one of the bundle's own, in their order, one of
 * them a step. Of the others nothing more has to be known: nearly all of them, as long as nobody copies.
 *
 * @param own steps as they are kept, of the same key
 */
export function* mayRepeatNoise<Row extends { readonly noise: string | null }>(
  own: readonly string[],
  kept: readonly Row[],
  max: number,
): Generator<void, (Row & { readonly noise: string })[]> {
  const patterns = own.map(patternSteps);
  const alike: (Row & { readonly noise: string })[] = [];
  for (const row of kept) {
    const { noise } = row;
    if (noise === null) continue;
    const steps = patternSteps(noise);
    if (patterns.some((pattern) => sameSteps(pattern, steps, max) !== null)) {
      alike.push({ ...row, noise });
    }
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
