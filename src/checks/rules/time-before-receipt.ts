import { formatInstant } from '../../formats/instant.js';
import type { ResultHistoryRule } from '../rule.js';

export const timeBeforeReceipt: ResultHistoryRule = {
  info: {
    code: 'time-before-receipt',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'The result was measured before the goods were received.',
    advice:
      'Check clock and label: something else was measured, or the time is wrong. Measure again.',
  },
  find: ({ examined, receipt }) => {
    const { measuredAt, measuredText } = examined.reading;
    const receivedAt = receipt?.receivedAt ?? null;
    if (measuredAt === null || receivedAt === null || measuredAt >= receivedAt) return [];
    const message = `measured at ${measuredText}, receipt ${receipt?.receiptId} came in at ${formatInstant(receivedAt)}`;
    return [{ pointer: '/measuredAt', message }];
  },
};
