import type { EarlierRule } from '../rule.js';
import { elsewhere, operatorAtTwoPlaces, twoPlaces } from './operator-at-two-places.js';

/** Nobody knows which of the two that person measured: the one that was accepted before is held too. */
export const operatorAtTwoPlacesLater: EarlierRule = {
  info: {
    code: 'operator-at-two-places-later',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'A result that came later has the same operator in another receiving area at the same time: this result is held although it had been accepted, and withdrawn where it was sent.',
    advice:
      'Ask who measured: somebody worked under the name of another, or a clock is wrong. What the site’s books show clears both.',
    limit: 'pace.secondsBetweenAreasMin',
  },
  pairedWith: operatorAtTwoPlaces.info.code,
  find: (about, isKnown) => {
    const { measuredAt, operatorId, resultId } = about.examined.reading;
    if (measuredAt === null || operatorId === null) return [];
    const later = {
      instrument: about.instrument,
      measuredAt,
      resultId: resultId ?? 'without an id',
    };
    return [...elsewhere(about, isKnown)].map(({ known: earlier, apart }) => {
      const [here, there] = apart.areas;
      const back = { ...apart, areas: [there, here] } as const;
      return { earlier, found: twoPlaces(operatorId, earlier, later, back) };
    });
  },
};
