import { filesAtFault } from '../files-at-fault.js';
import type { BundleRule } from '../rule.js';

export const fileMissing: BundleRule = {
  info: {
    code: 'file-missing',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning:
      'A file that an element names is not there: not in the archive, or the bundle is no archive.',
    advice:
      'Something was lost on the way: fetch the bundle from its source again, as the zip archive it was.',
  },
  find: ({ fileFaults }) => filesAtFault(fileFaults, 'missing'),
};
