import { filesAtFault } from '../files-at-fault.js';
import type { BundleRule } from '../rule.js';

export const fileShared: BundleRule = {
  info: {
    code: 'file-shared',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'Two elements name the same file as their spectrum.',
    advice: 'One measurement cannot stand for two: have the source write a file for each.',
  },
  find: ({ fileFaults }) => filesAtFault(fileFaults, 'shared'),
};
