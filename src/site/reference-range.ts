import type { RuleFault } from './site-fault.js';
import type { MethodEntry } from './site-file.js';
import type { ReferenceSpectrum } from './site-folder.js';

/** A curve is never extrapolated: the reference has to cover the method's region in full. */
export function rangeFaults(
  method: MethodEntry,
  reference: ReferenceSpectrum,
  path: RuleFault['path'],
): RuleFault[] {
  const first = reference.axis[0] ?? Number.NaN;
  const last = reference.axis.at(-1) ?? Number.NaN;
  if (first <= Number(method.range.from) && last >= Number(method.range.to)) return [];
  return [
    {
      path,
      rule: 'reference-too-short',
      message: `the reference runs from ${first} to ${last} cm-1, the method from ${method.range.from} to ${method.range.to}`,
      remedy: 'Store a longer curve, or narrow the range.',
    },
  ];
}
