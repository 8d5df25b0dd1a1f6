/**
 * Sampling tables as published, kept as data so that a site that holds the printed page can compare cell by cell.
 * Which of them the project has only from memory stands beside each and in docs/sampling.md.
 */

/** Rows of a WHO plan: up to so many containers, so many taken. The first row that holds the lot counts. */
export interface WhoTable {
  readonly rows: readonly (readonly [lotUpTo: number, taken: number])[];
  /** Beyond the last row: `factor` times the square root, rounded, plus `plus`. */
  readonly beyond: {
    readonly tenths: number;
    readonly rounding: 'nearest' | 'up';
    readonly plus: number;
  };
}

/**
 * WHO Technical Report Series 929 (2005), Annex 4, Appendix 5. The printed table as it is remembered; it differs from
 * its own formulas (n: 1 + sqrt N, nearest; p: 0.4 sqrt N, up; r: 1.5 sqrt N, up) at N = 3 and 13 of the n plan, 2 to 6 of
 * the p plan and 22 of the r plan. The table rules; tests/standards/sampling-plans.test.ts pins the differences.
 */
export const WHO_TABLES: Readonly<Record<'n' | 'p' | 'r', WhoTable>> = {
  n: {
    rows: [
      [3, 2],
      [6, 3],
      [13, 4],
      [20, 5],
      [30, 6],
      [42, 7],
      [56, 8],
      [72, 9],
      [90, 10],
    ],
    beyond: { tenths: 10, rounding: 'nearest', plus: 1 },
  },
  p: {
    rows: [
      [25, 2],
      [56, 3],
      [100, 4],
      [156, 5],
      [225, 6],
      [306, 7],
    ],
    beyond: { tenths: 4, rounding: 'up', plus: 0 },
  },
  r: {
    rows: [
      [2, 2],
      [4, 3],
      [7, 4],
      [11, 5],
      [16, 6],
      [22, 7],
      [28, 8],
      [36, 9],
      [44, 10],
    ],
    beyond: { tenths: 15, rounding: 'up', plus: 0 },
  },
};

export const INSPECTION_LEVELS = ['S-1', 'S-2', 'S-3', 'S-4', 'I', 'II', 'III'] as const;
export type InspectionLevel = (typeof INSPECTION_LEVELS)[number];

/** MIL-STD-105E, table I (public domain; ISO 2859-1 has the same): lot up to, letter for each level. */
export const CODE_LETTERS: readonly (readonly [lotUpTo: number, letters: string])[] = [
  [8, 'AAAAAAB'],
  [15, 'AAAAABC'],
  [25, 'AABBBCD'],
  [50, 'ABBCCDE'],
  [90, 'BBCCCEF'],
  [150, 'BBCDDFG'],
  [280, 'BCDEEGH'],
  [500, 'BCDEFHJ'],
  [1_200, 'CCEFGJK'],
  [3_200, 'CDEGHKL'],
  [10_000, 'CDFGJLM'],
  [35_000, 'CDFHKMN'],
  [150_000, 'DEGJLNP'],
  [500_000, 'DEGJMPQ'],
  [Number.POSITIVE_INFINITY, 'DEHKNQR'],
];

export const AQLS = [
  '0.065',
  '0.10',
  '0.15',
  '0.25',
  '0.40',
  '0.65',
  '1.0',
  '1.5',
  '2.5',
  '4.0',
  '6.5',
] as const;
export type Aql = (typeof AQLS)[number];

/** An acceptance number, or an arrow: the first plan below or above in the column, with that row's sample size. */
export type MasterCell = number | 'up' | 'down';

/**
 * MIL-STD-105E, table II-A: single sampling, normal inspection. One character a cell in the order of `AQLS`: `v` down,
 * `^` up. Rows A to N for AQL 0.65 to 6.5 were compared with a public copy; the others follow the table's diagonal
 * pattern, from memory. There is no row R (level III, lots over 500,000).
 */
const MASTER: readonly (readonly [letter: string, size: number, cells: string])[] = [
  ['A', 2, 'v v v v v v v v v v 0'],
  ['B', 3, 'v v v v v v v v v 0 ^'],
  ['C', 5, 'v v v v v v v v 0 ^ v'],
  ['D', 8, 'v v v v v v v 0 ^ v 1'],
  ['E', 13, 'v v v v v v 0 ^ v 1 2'],
  ['F', 20, 'v v v v v 0 ^ v 1 2 3'],
  ['G', 32, 'v v v v 0 ^ v 1 2 3 5'],
  ['H', 50, 'v v v 0 ^ v 1 2 3 5 7'],
  ['J', 80, 'v v 0 ^ v 1 2 3 5 7 10'],
  ['K', 125, 'v 0 ^ v 1 2 3 5 7 10 14'],
  ['L', 200, '0 ^ v 1 2 3 5 7 10 14 21'],
  ['M', 315, '^ v 1 2 3 5 7 10 14 21 ^'],
  ['N', 500, 'v 1 2 3 5 7 10 14 21 ^ ^'],
  ['P', 800, '1 2 3 5 7 10 14 21 ^ ^ ^'],
  ['Q', 1250, '2 3 5 7 10 14 21 ^ ^ ^ ^'],
];

export interface MasterRow {
  readonly letter: string;
  readonly size: number;
  readonly cells: readonly MasterCell[];
}

export const MASTER_ROWS: readonly MasterRow[] = MASTER.map(([letter, size, cells]) => ({
  letter,
  size,
  cells: cells
    .split(' ')
    .map((cell) => (cell === 'v' ? 'down' : cell === '^' ? 'up' : Number(cell))),
}));
