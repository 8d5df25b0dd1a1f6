import type { BundleRule } from '../rule.js';

export const siteOther: BundleRule = {
  info: {
    code: 'site-other',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The bundle belongs to another site.',
    advice: 'Send it to the gateway of its site, or correct the site set on the sync PC.',
  },
  find: ({ document, site }) =>
    document.site === site.folder.site
      ? []
      : [
          {
            pointer: '/site',
            message: `expected site ${site.folder.site}, found ${document.site}`,
          },
        ],
};
