import { findReferenceShifts } from '../site/reference-shifts.js';

/**
 * Positions that simulated spectra are made of: the published lists of `reference-shifts.ts`. Only they are facts;
 * everything else that a simulated spectrum shows is invented.
 */
export const PUBLISHED_SHIFTS_SOURCE = 'ASTM E1840, published interlaboratory means';
export const PUBLISHED_SHIFTS_VERSION = '1';

export const SUBSTANCES = [
  'paracetamol',
  'naphthalene',
  'cyclohexane',
  'sulfur',
  'bis-methylstyryl-benzene',
  'polystyrene',
] as const;

export type Substance = (typeof SUBSTANCES)[number];

/** cm-1, by substance. */
export const PUBLISHED_SHIFTS = Object.fromEntries(
  SUBSTANCES.map((substance) => [substance, shiftsOf(substance)]),
) as Readonly<Record<Substance, readonly number[]>>;

function shiftsOf(substance: Substance): readonly number[] {
  const list = findReferenceShifts(`astm-e1840-${substance}-${PUBLISHED_SHIFTS_VERSION}`);
  if (list === null) throw new Error(`no published list of ${substance}`);
  return list.shifts.map(({ shift }) => Number(shift));
}
