import type { ResultRule } from '../rule.js';

export const timeUnreadable: ResultRule = {
  info: {
    code: 'time-unreadable',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The time of measurement is no time that exists, or lacks its offset.',
    advice: 'Correct the clock of the instrument; the measurement cannot be placed in time.',
  },
  find: ({ measuredAt, result }) =>
    measuredAt !== null
      ? []
      : [
          {
            pointer: '/measuredAt',
            message: `expected an RFC 3339 time with offset, found ${JSON.stringify(result.measuredAt)}`,
          },
        ],
};
