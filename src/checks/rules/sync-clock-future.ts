import { msBetween, parseTimestamp } from '../../formats/instant.js';
import type { BundleRule } from '../rule.js';

/** The sync PC's clock says until when an instrument was heard; ahead of time it would prove too much. */
export const syncClockFuture: BundleRule = {
  info: {
    code: 'sync-clock-future',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: "The sync PC's clock runs ahead of the gateway's.",
    advice: 'Correct the clock of the sync PC and sync again.',
  },
  find: ({ document, site, now }) => {
    const clock = parseTimestamp(document.clocks.syncPc);
    const ahead = clock === null ? 0 : msBetween(now, clock.instant);
    const limit = site.folder.limits.futureToleranceMs;
    if (ahead <= limit) return [];
    return [
      {
        pointer: '/clocks/syncPc',
        message: `the clock is ${ahead} ms ahead of the gateway, the limit is ${limit} ms`,
        numbers: { aheadMs: String(ahead), limitMs: String(limit) },
      },
    ];
  },
};
