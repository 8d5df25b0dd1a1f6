import { originCovers } from '../../site/vocabulary.js';
import type { BundleRule } from '../rule.js';

export const originNotCovering: BundleRule = {
  info: {
    code: 'origin-not-covering',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'Results of this origin never cover a container in this environment.',
    advice:
      'Measure the containers with a registered instrument; these results only count against.',
  },
  find: ({ document, site }) =>
    originCovers(site.folder.environment, document.origin)
      ? []
      : [
          {
            pointer: '/origin',
            message: `origin ${document.origin} does not cover in a ${site.folder.environment} environment`,
          },
        ],
};
