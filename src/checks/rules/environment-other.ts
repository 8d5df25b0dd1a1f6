import type { BundleRule } from '../rule.js';

export const environmentOther: BundleRule = {
  info: {
    code: 'environment-other',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The bundle was made in another environment than the site runs in.',
    advice: 'Keep training, validation and production apart: send it to the gateway of its own.',
  },
  find: ({ document, site }) =>
    document.environment === site.folder.environment
      ? []
      : [
          {
            pointer: '/environment',
            message: `expected ${site.folder.environment}, found ${document.environment}`,
          },
        ],
};
