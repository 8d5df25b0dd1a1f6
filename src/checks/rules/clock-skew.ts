import { msBetween, parseTimestamp } from '../../formats/instant.js';
import type { BundleRule } from '../rule.js';

export const clockSkew: BundleRule = {
  info: {
    code: 'clock-skew',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The clocks of instrument and sync PC are apart.',
    advice: 'Set the clock of the instrument; times of these results are off by as much.',
    limit: 'site.yaml: limits.clockSkewMs',
  },
  find: ({ document, site }) => {
    const instrument = parseTimestamp(document.clocks.instrument);
    const syncPc = parseTimestamp(document.clocks.syncPc);
    if (instrument === null || syncPc === null) return [];
    const skew = Math.abs(msBetween(instrument.instant, syncPc.instant));
    const limit = site.folder.limits.clockSkewMs;
    if (skew <= limit) return [];
    return [
      {
        pointer: '/clocks',
        message: `the clocks are ${skew} ms apart, the limit is ${limit} ms`,
        numbers: { skewMs: String(skew), limitMs: String(limit) },
      },
    ];
  },
};
