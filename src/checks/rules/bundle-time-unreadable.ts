import { parseTimestamp } from '../../formats/instant.js';
import type { BundleRule } from '../rule.js';

export const bundleTimeUnreadable: BundleRule = {
  info: {
    code: 'bundle-time-unreadable',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The time of the bundle or one of its clocks is no time that exists.',
    advice: 'Correct the clock of the sync PC or the instrument and sync again.',
  },
  find: ({ document }) =>
    (
      [
        ['/createdAt', document.createdAt],
        ['/clocks/instrument', document.clocks.instrument],
        ['/clocks/syncPc', document.clocks.syncPc],
      ] as const
    )
      .filter(([, text]) => parseTimestamp(text) === null)
      .map(([pointer, text]) => ({
        pointer,
        message: `expected an RFC 3339 time with offset, found ${text}`,
      })),
};
