import { filesAtFault } from '../files-at-fault.js';
import type { BundleRule } from '../rule.js';

export const fileArchive: BundleRule = {
  info: {
    code: 'file-archive',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'A file that should be a spectrum is packed once more.',
    advice: 'Put the spectrum itself into the archive.',
  },
  find: ({ fileFaults }) => filesAtFault(fileFaults, 'archive'),
};
