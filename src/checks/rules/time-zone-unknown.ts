import { isTimeZone } from '../../formats/time-zone.js';
import type { BundleRule } from '../rule.js';

export const timeZoneUnknown: BundleRule = {
  info: {
    code: 'time-zone-unknown',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The time zone is none of the IANA database.',
    advice: 'Set a zone such as Europe/London on the sync PC.',
  },
  find: ({ document }) =>
    isTimeZone(document.timeZone)
      ? []
      : [{ pointer: '/timeZone', message: `there is no time zone ${document.timeZone}` }],
};
