import type { Instant } from '../formats/instant.js';
import type { EarlierFinding } from './history-facts.js';
import type { SpectrumDigests } from './intensity-digest.js';
import { asFinding, type Found, type RuleInfo } from './rule.js';
import {
  type NoiseTrace,
  noiseDuplicateEarlier,
  noiseOfEarlier,
  noiseOfLater,
  noiseTrace,
  repeatedNoise,
} from './rules/noise-duplicate-earlier.js';
import { noiseDuplicateLater } from './rules/noise-duplicate-later.js';
import { operatorAtTwoPlaces, tooNear, twoPlaces } from './rules/operator-at-two-places.js';
import { operatorAtTwoPlacesLater } from './rules/operator-at-two-places-later.js';
import type { KnownMeasurement, StoredNoise } from './sense-facts.js';
import type { SiteIndex } from './site-index.js';

/** A result as it is stored, with what it is compared by. */
export interface StoredMeasurement extends KnownMeasurement, SpectrumDigests {
  readonly noise: StoredNoise | null;
  readonly operatorId: string | null;
  readonly measuredAt: Instant | null;
}

/** Codes of one rule: on the later and on the earlier one of a pair. */
export interface PairedCodes {
  readonly later: string;
  readonly earlier: string;
}

export const NOISE: PairedCodes = codesOf(noiseDuplicateEarlier.info, noiseDuplicateLater.info);
export const OPERATOR: PairedCodes = codesOf(
  operatorAtTwoPlaces.info,
  operatorAtTwoPlacesLater.info,
);

/** Two results that are held together. */
export interface FoundPair {
  readonly codes: PairedCodes;
  /** On the later one, and on the earlier one. */
  readonly findings: readonly [EarlierFinding, EarlierFinding];
}

/**
 * Compares results that were settled with those that other processes settled at the same moment, which neither of
 * them saw (rules `noise-duplicate-earlier` and `operator-at-two-places` and those paired with them). The later one is
 * the one with the higher row id, whichever of the two is looked at: both looks find the same.
 *
 * @param own results of one bundle
 * @param others results of other bundles; those that bear on nothing are left alone
 */
export function findTogether(
  own: readonly StoredMeasurement[],
  others: readonly StoredMeasurement[],
  site: SiteIndex,
): FoundPair[] {
  const traces = new Map<string, NoiseTrace>();
  return own.flatMap((one) =>
    others.flatMap((other) => {
      if (one.rowId === other.rowId) return [];
      const [earlier, later] = one.rowId < other.rowId ? [one, other] : [other, one];
      return [
        ...sameNoisePair(earlier, later, site, traces),
        ...sameOperatorPair(earlier, later, site),
      ];
    }),
  );
}

function sameNoisePair(
  earlier: StoredMeasurement,
  later: StoredMeasurement,
  site: SiteIndex,
  traces: Map<string, NoiseTrace>,
): FoundPair[] {
  const limit = site.folder.signal?.noiseCorrelationMax;
  if (limit === undefined) return [];
  const [a, b] = [traceOf(earlier, traces), traceOf(later, traces)];
  const r = a && b && repeatedNoise(a, b, Number(limit.value));
  if (r === null) return [];
  const findings = [
    on(later, noiseDuplicateEarlier.info, noiseOfEarlier(earlier, r, limit)),
    on(earlier, noiseDuplicateLater.info, noiseOfLater(later, r, limit)),
  ] as const;
  return [{ codes: NOISE, findings }];
}

/** Read once, however many it is compared with. */
function traceOf(of: StoredMeasurement, traces: Map<string, NoiseTrace>): NoiseTrace | null {
  const { noise } = of;
  if (noise === null) return null;
  const known = traces.get(of.rowId) ?? noiseTrace({ ...of, noise });
  traces.set(of.rowId, known);
  return known;
}

function sameOperatorPair(
  earlier: StoredMeasurement,
  later: StoredMeasurement,
  site: SiteIndex,
): FoundPair[] {
  const { operatorId } = earlier;
  if (operatorId === null || operatorId !== later.operatorId) return [];
  const [first, second] = [measuredOf(earlier), measuredOf(later)];
  const apart = first && second && tooNear(site, second, first);
  if (!apart) return [];
  const [here, there] = apart.areas;
  const back = { ...apart, areas: [there, here] } as const;
  const findings = [
    on(later, operatorAtTwoPlaces.info, twoPlaces(operatorId, second, first, apart)),
    on(earlier, operatorAtTwoPlacesLater.info, twoPlaces(operatorId, first, second, back)),
  ] as const;
  return [{ codes: OPERATOR, findings }];
}

function measuredOf({ instrument, measuredAt, resultId }: StoredMeasurement) {
  return measuredAt === null ? null : { instrument, measuredAt, resultId };
}

function on(result: StoredMeasurement, info: RuleInfo, found: Found): EarlierFinding {
  const { rowId, bundleRowId, receiptId, pointer } = result;
  const finding = asFinding(info, { ...found, pointer: `${pointer}${found.pointer}` });
  return { rowId, bundleRowId, receiptId, finding };
}

function codesOf(later: RuleInfo, earlier: RuleInfo): PairedCodes {
  return { later: later.code, earlier: earlier.code };
}
