import type { Limit } from '../../site/signal-limits.js';
import {
  isOtherContainer,
  sameNoise,
  scannedContainer,
  type TracePattern,
  tracePattern,
} from '../bundle-traces.js';
import { spectrumDigestsOf } from '../examination.js';
import type { SpectrumDigests } from '../intensity-digest.js';
import type { Found, ResultHistoryCase, ResultHistoryRule } from '../rule.js';
import type { KnownMeasurement, KnownNoise, StoredNoise } from '../sense-facts.js';

/** As `noise-duplicate`, against the latest results; `noise-duplicate-later` is on the other one. */
export const noiseDuplicateEarlier: ResultHistoryRule = {
  info: {
    code: 'noise-duplicate-earlier',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'Another container, of this or another instrument, has nearly the same noise: a spectrum was copied and changed a little.',
    advice:
      'Find out at the instruments which of them was measured. Measure both again; the earlier one is held too.',
    limit:
      'noiseCorrelationMax, in the region methods[].noise, among the latest 50 of the method, of the axis and of all',
  },
  find: (about) => {
    const limit = about.site.folder.signal?.noiseCorrelationMax;
    const [first] = likeNoise(about, () => false);
    if (first === undefined || limit === undefined) return [];
    return [noiseOfEarlier(first.known, first.r, limit)];
  },
};

type Named = Pick<KnownMeasurement, 'resultId' | 'receiptScanned' | 'containerScanned'>;

/** What is said of the later one of two. */
export function noiseOfEarlier(earlier: Named, r: number, limit: Limit): Found {
  return noiseFound(`result ${earlier.resultId} (${placeOf(earlier)})`, r, limit);
}

/** What is said of the earlier one of two. */
export function noiseOfLater(
  later: { readonly [K in keyof Named]: Named[K] | null },
  r: number,
  limit: Limit,
): Found {
  return noiseFound(`result ${later.resultId} that came later (${placeOf(later)})`, r, limit);
}

function placeOf({ receiptScanned, containerScanned }: Omit<Named, 'resultId'>): string {
  return `receipt ${receiptScanned}, container ${containerScanned}`;
}

function noiseFound(other: string, r: number, limit: Limit): Found {
  return {
    pointer: '/spectrum',
    message: `noise correlates by ${r.toFixed(4)} with ${other}, expected less than ${limit.value}`,
    numbers: { found: r.toFixed(4) },
    limit,
  };
}

/** Earlier results of other containers whose noise is that of this one, with the correlation. */
export function* likeNoise(
  { examined, sense, site, standing }: ResultHistoryCase,
  isKnown: (rowId: string) => boolean,
): Generator<{ readonly known: KnownNoise; readonly r: number }> {
  const { pattern, reading } = examined;
  const limit = site.folder.signal?.noiseCorrelationMax;
  if (pattern === null || limit === undefined || standing !== 'new') return;
  const own = noiseTrace({ ...reading, ...spectrumDigestsOf(examined), noise: pattern });
  for (const known of sense.noise) {
    if (isKnown(known.rowId)) continue;
    const r = repeatedNoise(own, knownTrace(known), Number(limit.value));
    if (r !== null) yield { known, r };
  }
}

/** Earlier results as they are compared: worked out once, since each of a thousand results may be held against one. */
const KNOWN = new WeakMap<KnownNoise, NoiseTrace>();

function knownTrace(known: KnownNoise): NoiseTrace {
  const trace = KNOWN.get(known) ?? noiseTrace(known);
  KNOWN.set(known, trace);
  return trace;
}

/** What of a result its noise is compared by. */
export interface NoiseTrace extends SpectrumDigests {
  readonly container: string | null;
  readonly pattern: TracePattern;
}

export function noiseTrace({
  receiptScanned,
  containerScanned,
  sha256,
  intensitySha256,
  noise,
}: SpectrumDigests & {
  readonly receiptScanned: string | null;
  readonly containerScanned: string | null;
  readonly noise: StoredNoise;
}): NoiseTrace {
  return {
    container: scannedContainer(receiptScanned, containerScanned),
    sha256,
    intensitySha256,
    pattern: tracePattern(noise),
  };
}

/** The correlation of the noise of two containers at or above a limit, else null. */
export function repeatedNoise(a: NoiseTrace, b: NoiseTrace, max: number): number | null {
  return isOtherContainer(a.container, b.container) ? sameNoise(a, b, max) : null;
}
