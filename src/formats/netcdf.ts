/**
 * netCDF classic, the container of ASTM E1948, in the two forms that this project reads and writes: CDF-1
 * (32-bit offsets) and CDF-2 (64-bit offsets). Layout after Unidata's file format specification; everything
 * is big-endian. There is no record dimension in E1947's use of it, and none here.
 */
export type NetcdfValues =
  | Int8Array
  | Uint8Array
  | Int16Array
  | Int32Array
  | Float32Array
  | Float64Array;

/** `char` values are bytes in a `Uint8Array`; `byte` is signed. */
export type NetcdfType = 'byte' | 'char' | 'short' | 'int' | 'float' | 'double';

export interface NetcdfDimension {
  readonly name: string;
  /** At least 1. */
  readonly length: number;
}

export interface NetcdfAttribute {
  readonly name: string;
  readonly type: NetcdfType;
  readonly values: NetcdfValues;
}

export interface NetcdfVariable {
  readonly name: string;
  /** Names of its dimensions, slowest first; none for a scalar. */
  readonly dimensions: readonly string[];
  readonly attributes: readonly NetcdfAttribute[];
  readonly type: NetcdfType;
  /** Row-major, as many as the product of the dimensions. */
  readonly values: NetcdfValues;
}

export interface NetcdfFile {
  readonly dimensions: readonly NetcdfDimension[];
  readonly attributes: readonly NetcdfAttribute[];
  readonly variables: readonly NetcdfVariable[];
}

/** How a type stands in a file. `fill` is what pads the data of a variable (Unidata's default fill values). */
export interface NetcdfTypeForm {
  readonly type: NetcdfType;
  readonly code: number;
  readonly size: 1 | 2 | 4 | 8;
  readonly fill: readonly number[];
}

export const NETCDF_TYPES: readonly NetcdfTypeForm[] = [
  { type: 'byte', code: 1, size: 1, fill: [0x81] },
  { type: 'char', code: 2, size: 1, fill: [0x00] },
  { type: 'short', code: 3, size: 2, fill: [0x80, 0x01] },
  { type: 'int', code: 4, size: 4, fill: [0x80, 0x00, 0x00, 0x01] },
  { type: 'float', code: 5, size: 4, fill: [0x7c, 0xf0, 0x00, 0x00] },
  { type: 'double', code: 6, size: 8, fill: [0x47, 0x9e, 0, 0, 0, 0, 0, 0] },
];

/** Tags of the three lists of a header. */
export const NETCDF_TAGS = { dimensions: 0x0a, variables: 0x0b, attributes: 0x0c } as const;

/** Letter, digit, underscore or anything beyond ASCII first; no slash, no control, no blank at the end. */
const NAME = /^(?:[A-Za-z0-9_]|[^\p{ASCII}\p{Cc}])[^/\p{Cc}]*$/u;

/** True for a name that netCDF takes: in NFC, without slash, control or trailing blank. */
export function isNetcdfName(name: string): boolean {
  return NAME.test(name) && !name.endsWith(' ') && name === name.normalize('NFC');
}

/** Text as a `char` attribute, UTF-8. */
export function textAttribute(name: string, text: string): NetcdfAttribute {
  return { name, type: 'char', values: new TextEncoder().encode(text) };
}

/**
 * Text of a `char` attribute or variable, without the NULs that many writers leave at its end; null when it is
 * of another type or no UTF-8.
 */
export function netcdfText(of: {
  readonly type: NetcdfType;
  readonly values: NetcdfValues;
}): string | null {
  if (of.type !== 'char') return null;
  try {
    const decoder = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true });
    return decoder.decode(of.values as Uint8Array).replace(/\0+$/, '');
  } catch {
    // Bytes of another character set: what they mean is not known.
    return null;
  }
}
