import type { Limit } from '../../site/signal-limits.js';
import { isOtherContainer, sameNoise, scannedContainer } from '../bundle-traces.js';
import type { Found, ResultHistoryCase, ResultHistoryRule } from '../rule.js';
import type { KnownMeasurement, KnownNoise } from '../sense-facts.js';
import { patternSteps } from '../signal-region.js';

/** As `noise-duplicate`, against the latest results of the same method; `noise-duplicate-later` is on the other one. */
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
    limit: 'noiseCorrelationMax, in the region methods[].noise, among the latest 50',
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
  const { pattern, reading, spectrum } = examined;
  const limit = site.folder.signal?.noiseCorrelationMax;
  if (pattern === null || limit === undefined || standing !== 'new') return;
  const own = noiseTrace({ ...reading, spectrumSha256: spectrum?.sha256 ?? null, ...pattern });
  for (const known of sense.noise.get(pattern.key) ?? []) {
    if (isKnown(known.rowId)) continue;
    const r = repeatedNoise(own, noiseTrace({ ...known, key: pattern.key }), Number(limit.value));
    if (r !== null) yield { known, r };
  }
}

/** What of a result its noise is compared by. */
export interface NoiseTrace {
  readonly container: string | null;
  readonly sha256: string | null;
  readonly pattern: { readonly key: string; readonly steps: Int8Array };
}

export function noiseTrace(of: {
  readonly receiptScanned: string | null;
  readonly containerScanned: string | null;
  readonly spectrumSha256: string | null;
  readonly key: string;
  readonly steps: string;
}): NoiseTrace {
  return {
    container: scannedContainer(of.receiptScanned, of.containerScanned),
    sha256: of.spectrumSha256,
    pattern: { key: of.key, steps: patternSteps(of.steps) },
  };
}

/** The correlation of the noise of two containers at or above a limit, else null. */
export function repeatedNoise(a: NoiseTrace, b: NoiseTrace, max: number): number | null {
  return isOtherContainer(a.container, b.container) ? sameNoise(a, b, max) : null;
}
