import { filesAtFault } from '../files-at-fault.js';
import type { BundleRule } from '../rule.js';

export const fileDigest: BundleRule = {
  info: {
    code: 'file-digest',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'A file is not the one that the element was made with.',
    advice:
      'It changed after the bundle was written: fetch the bundle from its source again, and find out what changed it.',
  },
  find: ({ fileFaults }) => filesAtFault(fileFaults, 'digest'),
};
