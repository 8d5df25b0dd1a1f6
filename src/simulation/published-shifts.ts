/**
 * Raman shifts, cm-1, published for ASTM E1840 (interlaboratory work of seven laboratories on seven compounds
 * and one mixture). Only the positions are facts; everything else that a simulated spectrum shows is invented.
 * A site replaces such a list by its certificate, which is why it is data with a version.
 */
export const PUBLISHED_SHIFTS_SOURCE = 'ASTM E1840, published interlaboratory means';
export const PUBLISHED_SHIFTS_VERSION = '1';

export const PUBLISHED_SHIFTS = {
  paracetamol: [
    213.3, 329.2, 390.9, 465.1, 504.0, 651.6, 710.8, 797.2, 834.5, 857.9, 968.7, 1105.5, 1168.5,
    1236.8, 1278.5, 1323.9, 1371.5, 1515.1, 1561.5, 1648.4, 2931.1, 3064.6, 3102.4, 3326.6,
  ],
  naphthalene: [513.8, 763.8, 1021.6, 1147.2, 1382.2, 1464.5, 1576.6, 3056.4],
  cyclohexane: [
    384.1, 426.3, 801.3, 1028.3, 1157.6, 1266.4, 1444.4, 2664.4, 2852.9, 2923.8, 2938.3,
  ],
  sulfur: [85.1, 153.8, 219.1, 473.2],
  'bis-methylstyryl-benzene': [1177.7, 1290.7, 1316.9, 1334.5, 1555.2, 1593.1, 1627.9],
  polystyrene: [
    620.9, 795.8, 1001.4, 1031.8, 1155.3, 1450.5, 1583.1, 1602.3, 2852.4, 2904.5, 3054.3,
  ],
} as const satisfies Record<string, readonly number[]>;

export type Substance = keyof typeof PUBLISHED_SHIFTS;
export const SUBSTANCES = Object.keys(PUBLISHED_SHIFTS) as readonly Substance[];
