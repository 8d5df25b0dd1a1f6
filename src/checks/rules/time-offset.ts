import { offsetMinutesAt } from '../../formats/time-zone.js';
import type { ResultRule } from '../rule.js';

/** `Z` states the instant and claims no local offset, so it is never wrong. */
export const timeOffset: ResultRule = {
  info: {
    code: 'time-offset',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The offset of the time is not the one of the stated zone at that instant.',
    advice: 'Set zone and summer time on the instrument; the time may be off by the difference.',
  },
  find: ({ bundle, measuredAt }) => {
    if (measuredAt === null || measuredAt.reported.endsWith('Z')) return [];
    const expected = offsetMinutesAt(measuredAt.instant, bundle.document.timeZone);
    if (expected === null || expected === measuredAt.offsetMinutes) return [];
    return [
      {
        pointer: '/measuredAt',
        message: `${measuredAt.reported} is ${measuredAt.offsetMinutes} min from UTC, ${bundle.document.timeZone} is ${expected} min`,
        numbers: { offsetMinutes: String(measuredAt.offsetMinutes), zoneMinutes: String(expected) },
      },
    ];
  },
};
