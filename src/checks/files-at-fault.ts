import type { Found } from './rule.js';
import type { FileFault, FileFaultKind } from './spectrum-files.js';

/** What reading the files of a bundle found, as far as it is about this kind. */
export function filesAtFault(faults: readonly FileFault[], kind: FileFaultKind): readonly Found[] {
  return faults
    .filter((fault) => fault.kind === kind)
    .map(({ pointer, message }) => ({ pointer, message }));
}
