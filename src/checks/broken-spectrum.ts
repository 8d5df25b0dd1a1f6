import type { SpectrumFault, SpectrumReading } from './read-spectrum.js';
import type { Found } from './rule.js';

/** What reading the spectrum found, when it is about this rule. */
export function brokenSpectrum(
  spectrum: SpectrumReading,
  rule: SpectrumFault['rule'],
): readonly Found[] {
  if (spectrum.kind !== 'faulty' || spectrum.fault.rule !== rule) return [];
  return [{ pointer: `/spectrum${spectrum.fault.pointer}`, message: spectrum.fault.message }];
}
