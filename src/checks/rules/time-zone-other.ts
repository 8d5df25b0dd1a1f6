import type { BundleRule } from '../rule.js';

export const timeZoneOther: BundleRule = {
  info: {
    code: 'time-zone-other',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The instrument keeps another time zone than the site.',
    advice: 'Set the zone of the site on the instrument, or confirm that it stands elsewhere.',
  },
  find: ({ document, site }) =>
    document.timeZone === site.folder.timeZone
      ? []
      : [
          {
            pointer: '/timeZone',
            message: `the site keeps ${site.folder.timeZone}, found ${document.timeZone}`,
          },
        ],
};
