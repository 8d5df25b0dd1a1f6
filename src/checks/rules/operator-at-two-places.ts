import { formatInstant, type Instant, msBetween } from '../../formats/instant.js';
import type { Limit } from '../../site/signal-limits.js';
import type { Found, ResultHistoryCase, ResultHistoryRule } from '../rule.js';
import type { OperatorMeasurement } from '../sense-facts.js';
import type { SiteIndex } from '../site-index.js';

/** `operator-at-two-places-later` is on the other one: nobody knows which of the two that person measured. */
export const operatorAtTwoPlaces: ResultHistoryRule = {
  info: {
    code: 'operator-at-two-places',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'One operator measured in two receiving areas at once.',
    advice:
      'Ask who measured: somebody worked under the name of another, or a clock is wrong. The other one is held too; what the site’s books show clears both.',
    limit: 'pace.secondsBetweenAreasMin',
  },
  find: (about) => {
    const [first] = elsewhere(about, () => false);
    const { measuredAt, operatorId } = about.examined.reading;
    if (first === undefined || measuredAt === null || operatorId === null) return [];
    const own = { instrument: about.instrument, measuredAt };
    return [twoPlaces(operatorId, own, first.known, first.apart)];
  },
};

/** How far two measurements of one operator are apart. */
interface Apart {
  readonly areas: readonly [string, string];
  readonly seconds: number;
  readonly limit: Limit;
}

type Measured = { readonly instrument: string | null; readonly measuredAt: Instant };

/** null when one person can have made both, when an area is not known, and at a site without the limit. */
export function tooNear(site: SiteIndex, a: Measured, b: Measured): Apart | null {
  const limit = site.folder.signal?.pace.secondsBetweenAreasMin;
  const here = site.instruments.get(a.instrument ?? '')?.area;
  const there = site.instruments.get(b.instrument ?? '')?.area;
  if (limit === undefined || here === undefined || there === undefined || here === there) {
    return null;
  }
  const seconds = Math.abs(msBetween(b.measuredAt, a.measuredAt)) / 1000;
  return seconds >= Number(limit.value) ? null : { areas: [here, there], seconds, limit };
}

/** Earlier results of the operator of this one that are too near in time and in another area. */
export function* elsewhere(
  { examined, instrument, sense, site, standing }: ResultHistoryCase,
  isKnown: (rowId: string) => boolean,
): Generator<{ readonly known: OperatorMeasurement; readonly apart: Apart }> {
  const { measuredAt, operatorId } = examined.reading;
  if (measuredAt === null || operatorId === null || standing !== 'new') return;
  for (const known of sense.operators.get(operatorId) ?? []) {
    if (isKnown(known.rowId)) continue;
    const apart = tooNear(site, { instrument, measuredAt }, known);
    if (apart !== null) yield { known, apart };
  }
}

/**
 * What is said of one of the two.
 *
 * @param apart from its own place to that of the other
 */
export function twoPlaces(
  operatorId: string,
  own: Measured,
  other: Measured & { readonly resultId: string },
  { areas: [here, there], seconds, limit }: Apart,
): Found {
  return {
    pointer: '/operatorId',
    message: `${operatorId} measured in ${here} at ${formatInstant(own.measuredAt)}, and ${seconds} s apart in ${there} with ${other.instrument} (result ${other.resultId}, ${formatInstant(other.measuredAt)}), expected at least ${limit.value} s`,
    numbers: { found: String(seconds) },
    limit,
  };
}
