import { msBetween } from '../../formats/instant.js';
import type { ResultRule } from '../rule.js';

export const timeFuture: ResultRule = {
  info: {
    code: 'time-future',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The result was measured later than now.',
    advice:
      'Correct the clock of the instrument, and of the gateway if that is the one that is wrong.',
    limit: 'site.yaml: limits.futureToleranceMs',
  },
  find: ({ bundle, measuredAt }) => {
    const ahead = measuredAt === null ? 0 : msBetween(bundle.now, measuredAt.instant);
    const limit = bundle.site.folder.limits.futureToleranceMs;
    if (ahead <= limit) return [];
    return [
      {
        pointer: '/measuredAt',
        message: `measured ${ahead} ms after now, the limit is ${limit} ms`,
        numbers: { aheadMs: String(ahead), limitMs: String(limit) },
      },
    ];
  },
};
