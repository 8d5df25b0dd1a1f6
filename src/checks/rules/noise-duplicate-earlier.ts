import { isOtherContainer, sameNoise, scannedContainer } from '../bundle-traces.js';
import type { ResultHistoryCase, ResultHistoryRule } from '../rule.js';
import type { KnownNoise } from '../sense-facts.js';
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
    const { known, r } = first;
    return [
      {
        pointer: '/spectrum',
        message: `noise correlates by ${r.toFixed(4)} with result ${known.resultId} (receipt ${known.receiptScanned}, container ${known.containerScanned}), expected less than ${limit.value}`,
        numbers: { found: r.toFixed(4) },
        limit,
      },
    ];
  },
};

/** Earlier results of other containers whose noise is that of this one, with the correlation. */
export function* likeNoise(
  { examined, sense, site, standing }: ResultHistoryCase,
  isKnown: (rowId: string) => boolean,
): Generator<{ readonly known: KnownNoise; readonly r: number }> {
  const { pattern, reading, spectrum } = examined;
  const limit = site.folder.signal?.noiseCorrelationMax;
  if (pattern === null || limit === undefined || standing !== 'new') return;
  const own = {
    sha256: spectrum?.sha256 ?? null,
    pattern: { key: pattern.key, steps: patternSteps(pattern.steps) },
  };
  const container = scannedContainer(reading.receiptScanned, reading.containerScanned);
  for (const known of sense.noise.get(pattern.key) ?? []) {
    if (isKnown(known.rowId)) continue;
    const other = comparedOf(known, pattern.key);
    if (!isOtherContainer(container, other.container)) continue;
    const r = sameNoise(own, other, Number(limit.value));
    if (r !== null) yield { known, r };
  }
}

/** What of an earlier result is compared: worked out once, since each of a thousand results may be held against it. */
const COMPARED = new WeakMap<KnownNoise, ReturnType<typeof compared>>();

function comparedOf(known: KnownNoise, key: string): ReturnType<typeof compared> {
  const kept = COMPARED.get(known) ?? compared(known, key);
  COMPARED.set(known, kept);
  return kept;
}

function compared(known: KnownNoise, key: string) {
  return {
    container: scannedContainer(known.receiptScanned, known.containerScanned),
    sha256: known.spectrumSha256,
    pattern: { key, steps: patternSteps(known.steps) },
  };
}
