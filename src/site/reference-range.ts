import type { RuleFault } from './site-fault.js';
import type { MethodEntry } from './site-file.js';
import type { ReferenceSpectrum } from './site-folder.js';

/** A curve is never extrapolated: the reference has to cover the method's region in full. */
export function rangeFaults(
  method: MethodEntry,
  reference: ReferenceSpectrum,
  path: RuleFault['path'],
): RuleFault[] {
  if (coversRange(reference, method)) return [];
  const [first, last] = [reference.axis[0], reference.axis.at(-1)];
  return [
    {
      path,
      rule: 'reference-too-short',
      message: `the reference runs from ${first} to ${last} cm-1, the method from ${method.range.from} to ${method.range.to}`,
      remedy: 'Store a longer curve, or narrow the range.',
    },
  ];
}

export function coversRange(
  { axis }: ReferenceSpectrum,
  { range }: Pick<MethodEntry, 'range'>,
): boolean {
  const [first, last] = [axis[0] ?? Number.NaN, axis.at(-1) ?? Number.NaN];
  return first <= Number(range.from) && last >= Number(range.to);
}
