import { coverOf } from '../bundle-traces.js';
import type { ResultHistoryCase, ResultHistoryRule } from '../rule.js';
import type { KnownMeasurement } from '../sense-facts.js';

/**
 * As `probe-cover-shared`, across bundles; `probe-cover-reused-later` is on the other one. Whichever of the two came
 * first, the other may be what was measured.
 */
export const probeCoverReused: ResultHistoryRule = {
  info: {
    code: 'probe-cover-reused',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'The disposable cover of the immersion probe was in another material before or since. Common practice, no source.',
    advice:
      'What stuck to the cover may be what was measured, and may be in the container now: tell the quality unit, and measure again with a new cover. The other one is held too.',
  },
  find: (about) => {
    const [other] = sameCover(about, () => false);
    if (other === undefined) return [];
    const message = `the cover was in ${other.material ?? 'an unknown material'} too, result ${other.resultId} of ${other.instrument ?? 'an unknown instrument'}`;
    return [{ pointer: '/presentation/probeCover', message }];
  },
};

/** Earlier results of another material with the cover of this one. */
export function* sameCover(
  about: ResultHistoryCase,
  isKnown: (rowId: string) => boolean,
): Generator<KnownMeasurement> {
  const { result } = about.examined;
  const cover = result === null ? null : coverOf(result);
  if (cover === null || about.standing !== 'new') return;
  const material = materialOf(about);
  for (const known of about.sense.covers.get(cover) ?? []) {
    if (!isKnown(known.rowId) && known.material !== material) yield known;
  }
}

/** What the cover was in: the receipt's material counts where it is known. */
export function materialOf({ examined, receipt }: ResultHistoryCase): string | null {
  return receipt?.material ?? examined.reading.material;
}
