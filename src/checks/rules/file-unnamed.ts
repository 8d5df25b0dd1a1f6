import { filesAtFault } from '../files-at-fault.js';
import type { BundleRule } from '../rule.js';

export const fileUnnamed: BundleRule = {
  info: {
    code: 'file-unnamed',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The archive holds a file that nothing in the bundle names.',
    advice: 'Nobody can say whose it is: have the source name it, or leave it out.',
  },
  find: ({ fileFaults }) => filesAtFault(fileFaults, 'unnamed'),
};
