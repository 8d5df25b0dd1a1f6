import { formatInstant, msBetween } from '../../formats/instant.js';
import type { ResultHistoryRule } from '../rule.js';

export const operatorAtTwoPlaces: ResultHistoryRule = {
  info: {
    code: 'operator-at-two-places',
    severity: 'remark',
    scope: 'result',
    needs: 'history',
    meaning: 'One operator measured in two receiving areas at once.',
    advice: 'Ask who measured: somebody worked under the name of another, or a clock is wrong.',
    limit: 'pace.secondsBetweenAreasMin',
  },
  find: ({ examined, instrument, sense, site, standing }) => {
    const { measuredAt, operatorId } = examined.reading;
    const limit = site.folder.signal?.pace.secondsBetweenAreasMin;
    if (limit === undefined || measuredAt === null || operatorId === null) return [];
    const area = site.instruments.get(instrument ?? '')?.area;
    if (area === undefined || standing !== 'new') return [];
    for (const other of sense.operators.get(operatorId) ?? []) {
      const there = site.instruments.get(other.instrument)?.area;
      const seconds = Math.abs(msBetween(other.measuredAt, measuredAt)) / 1000;
      if (there === undefined || there === area || seconds >= Number(limit.value)) continue;
      return [
        {
          pointer: '/operatorId',
          message: `${operatorId} measured in ${area}, and ${seconds} s apart in ${there} with ${other.instrument} (result ${other.resultId}, ${formatInstant(other.measuredAt)}), expected at least ${limit.value} s`,
          numbers: { found: String(seconds) },
          limit,
        },
      ];
    }
    return [];
  },
};
