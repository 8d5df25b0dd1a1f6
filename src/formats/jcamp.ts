/**
 * JCAMP-DX 4.24 and 5.01 as far as spectra go (McDonald and Wilks, Applied Spectroscopy 42 (1988) 151;
 * IUPAC 1999, Pure Appl. Chem. 71, 1549): labelled records in blocks, tabular data in the AFFN, PAC, SQZ, DIF
 * and DUP forms, and lists of pairs.
 */
export interface JcampRecord {
  /** In capitals, without blanks, `-`, `/` and `_`: `DATA TYPE`, `Data-Type` and `DATATYPE` are one label. */
  readonly label: string;
  /** Without comments; lines of a value are joined by line feeds. */
  readonly value: string;
  /** Line of the file where it begins, from 1. */
  readonly line: number;
}

export interface JcampBlock {
  readonly title: string;
  readonly line: number;
  /** In the order of the file, without TITLE, END and the data. */
  readonly records: readonly JcampRecord[];
  readonly data: JcampData | null;
  /** Blocks inside this one (LINK). */
  readonly blocks: readonly JcampBlock[];
  /** What does not agree in the block and changes no value: refused for a record, told to a reader. */
  readonly deviations: readonly JcampFault[];
}

export interface JcampData {
  /** `table`: an even axis and ordinates (X++(Y..Y)); `pairs`: (XY..XY). */
  readonly kind: 'table' | 'pairs';
  /** The data's own label: XYDATA, XYPOINTS, PEAKTABLE. */
  readonly label: string;
  readonly line: number;
  /** True values; null for a table of a block that does not say where its axis begins and ends. */
  readonly x: Float64Array | null;
  /** True values: what is stored times YFACTOR. */
  readonly y: Float64Array;
}

export interface JcampFault {
  /** From 1. */
  readonly line: number;
  /** From 1; 0 for the line as a whole. */
  readonly column: number;
  /** Found against expected. */
  readonly message: string;
}

export type JcampRead =
  | { readonly ok: true; readonly block: JcampBlock }
  | { readonly ok: false; readonly fault: JcampFault };

export interface JcampLimits {
  readonly bytesMax: number;
  /** Of one block, whatever it declares. */
  readonly pointsMax: number;
  /** Of all blocks together: a repeated difference costs a few bytes and gives as many points as a block may have. */
  readonly pointsInAllMax: number;
  readonly recordsMax: number;
  readonly blocksMax: number;
  /** Blocks inside blocks. */
  readonly depthMax: number;
}

export const JCAMP_LIMITS: JcampLimits = {
  bytesMax: 33_554_432,
  pointsMax: 1_000_000,
  pointsInAllMax: 4_000_000,
  recordsMax: 10_000,
  blocksMax: 1_000,
  depthMax: 4,
};

/** A fault found deep inside; readers catch it at their rim and return it as a value. */
export class JcampRefusal extends Error {
  constructor(readonly fault: JcampFault) {
    super(fault.message);
  }
}

export function refuseJcamp(line: number, message: string, column = 0): JcampRefusal {
  return new JcampRefusal({ line, column, message });
}

/** The value of a label in a block, null when it does not have it. */
export function jcampValue(block: Pick<JcampBlock, 'records'>, label: string): string | null {
  return block.records.find((record) => record.label === label)?.value ?? null;
}

const AFFN = /^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?$/;

/** A number of a header in AFFN form; null when the text is none or does not fit a double. */
export function jcampNumber(text: string): number | null {
  const trimmed = text.trim();
  if (!AFFN.test(trimmed)) return null;
  const value = Number(trimmed);
  return Number.isFinite(value) ? value : null;
}
