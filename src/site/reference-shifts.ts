import type { Decimal } from '../formats/decimal.js';

/** One band of a reference standard as published. */
export interface ReferenceShift {
  /** cm-1. */
  readonly shift: Decimal;
  /** Standard deviation between laboratories, cm-1. */
  readonly deviation: Decimal;
}

/** Published band positions of a reference standard, with where they come from. */
export interface ReferenceShiftList {
  /** Names list and version; a site names it so, and a changed list gets another name. */
  readonly id: string;
  readonly standard: string;
  readonly source: string;
  /** How the values came into this list, and what of them is from memory. */
  readonly provenance: string;
  readonly shifts: readonly ReferenceShift[];
}

const E1840 =
  'ASTM E1840, interlaboratory means and standard deviations of seven laboratories; the standard itself was not opened';
const SEEN =
  'positions compared with at least one independent public list that names E1840; deviations from memory';
const MEMORY = 'positions and deviations from memory, compared with nothing';

/**
 * Facts from published interlaboratory work, as data with a version. They are a starting point: a site puts the
 * values of its own certificate in their place, and the pharmacopoeia in force decides which standard and which
 * tolerance count. There is no tolerance here on purpose.
 *
 * The Japanese reference disc RM 8158-a gave 11 polystyrene positions comparable with E1840 at an expanded
 * uncertainty of 1.1 to 1.2 cm-1, k = 2 (Itoh and Hanari, Analytical Sciences 37, 1533, 2021).
 */
export const REFERENCE_SHIFTS: readonly ReferenceShiftList[] = [
  list('polystyrene', SEEN, [
    '620.9 0.69, 795.8 0.78, 1001.4 0.54, 1031.8 0.43, 1155.3 0.56, 1450.5 0.56, 1583.1 0.86',
    '1602.3 0.73, 2852.4 0.89, 2904.5 1.22, 3054.3 1.36',
  ]),
  list('cyclohexane', SEEN, [
    '384.1 0.78, 426.3 0.41, 801.3 0.96, 1028.3 0.45, 1157.6 0.94, 1266.4 0.58, 1444.4 0.30',
    '2664.4 0.42, 2852.9 0.32, 2923.8 0.36, 2938.3 0.51',
  ]),
  list('naphthalene', SEEN, [
    '513.8 0.31, 763.8 0.31, 1021.6 0.50, 1147.2 0.34, 1382.2 0.31, 1464.5 0.30, 1576.6 0.31',
    '3056.4 0.30',
  ]),
  list('sulfur', SEEN, ['85.1 0.39, 153.8 0.50, 219.1 0.57, 473.2 0.49']),
  list('bis-methylstyryl-benzene', SEEN, [
    '1177.7 0.62, 1290.7 0.74, 1316.9 0.76, 1334.5 0.54, 1555.2 0.65, 1593.1 0.48, 1627.9 0.49',
  ]),
  list(
    'paracetamol',
    `${SEEN}; 213.3 and 1648.4 to 3326.6 less surely, 1561.5 also seen as 1561.6`,
    [
      '213.3 1.77, 329.2 0.52, 390.9 0.76, 465.1 0.30, 504.0 0.60, 651.6 0.50, 710.8 0.68',
      '797.2 0.48, 834.5 0.46, 857.9 0.50, 968.7 0.60, 1105.5 0.27, 1168.5 0.65, 1236.8 0.46',
      '1278.5 0.45, 1323.9 0.46, 1371.5 0.11, 1515.1 0.70, 1561.5 0.52, 1648.4 0.50, 2931.1 0.63',
      '3064.6 0.31, 3102.4 0.95, 3326.6 2.18',
    ],
  ),
  list('benzonitrile', MEMORY, [
    '460.9 0.73, 548.5 0.82, 751.3 0.74, 767.1 0.61, 1000.7 0.98, 1026.6 0.84, 1177.9 0.74',
    '1192.6 0.58, 1598.9 0.70, 2229.4 0.39, 3072.3 0.40',
  ]),
  list('toluene-acetonitrile', `${MEMORY}, but 2253.7 and 2940.8 seen as acetonitrile`, [
    '521.7 0.34, 786.5 0.40, 919.0 0.28, 1003.6 0.37, 1030.6 0.36, 1211.4 0.32, 2253.7 0.42',
    '2940.8 0.28, 3057.1 0.35',
  ]),
];

export function findReferenceShifts(id: string): ReferenceShiftList | null {
  return REFERENCE_SHIFTS.find((entry) => entry.id === id) ?? null;
}

function list(standard: string, provenance: string, lines: readonly string[]): ReferenceShiftList {
  return {
    id: `astm-e1840-${standard}-1`,
    standard,
    source: E1840,
    provenance,
    shifts: lines.flatMap((line) =>
      line.split(', ').map((pair) => {
        const [shift = '', deviation = ''] = pair.split(' ');
        return { shift: shift as Decimal, deviation: deviation as Decimal };
      }),
    ),
  };
}
