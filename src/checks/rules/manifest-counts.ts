import { PART_ARRAYS } from '../bundle-parts.js';
import type { BundleRule } from '../rule.js';

export const manifestCounts: BundleRule = {
  info: {
    code: 'manifest-counts',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The manifest counts other numbers of elements than the bundle holds.',
    advice: 'Something was lost or added on the way: fetch the bundle from the instrument again.',
  },
  find: ({ document }) =>
    PART_ARRAYS.filter((name) => document.manifest.counts[name] !== document[name].length).map(
      (name) => ({
        pointer: `/manifest/counts/${name}`,
        message: `the manifest counts ${document.manifest.counts[name]} ${name}, found ${document[name].length}`,
      }),
    ),
};
