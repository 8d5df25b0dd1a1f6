import { filesAtFault } from '../files-at-fault.js';
import type { BundleRule } from '../rule.js';

export const fileDamaged: BundleRule = {
  info: {
    code: 'file-damaged',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'A file cannot be taken out of the archive as it was put in.',
    advice:
      'It was damaged on the way, or the archive is made to harm: fetch the bundle from its source again.',
  },
  find: ({ fileFaults }) => filesAtFault(fileFaults, 'damaged'),
};
