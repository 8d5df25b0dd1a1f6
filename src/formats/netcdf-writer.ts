import {
  isNetcdfName,
  NETCDF_TAGS,
  NETCDF_TYPES,
  type NetcdfAttribute,
  type NetcdfFile,
  type NetcdfType,
  type NetcdfTypeForm,
  type NetcdfValues,
  type NetcdfVariable,
} from './netcdf.js';

/** CDF-1 has 32-bit offsets, CDF-2 64-bit ones; nothing else differs. */
export type NetcdfVersion = 1 | 2;

/** Offsets of CDF-1 are signed 32-bit. */
const OFFSET_MAX = 0x7fffffff;

/**
 * A netCDF classic file. The same content gives the same bytes.
 *
 * @throws RangeError when the content is no netCDF: a name it does not take or has twice, a dimension that is
 *   not there or has no length, values that are not as many as the dimensions say.
 */
export function writeNetcdf(file: NetcdfFile, version: NetcdfVersion = 1): Uint8Array {
  refuseFaults(file);
  const offsetSize = version === 1 ? 4 : 8;
  const headerSize = sizeOfHeader(file, offsetSize);
  const begins: number[] = [];
  let end = headerSize;
  for (const variable of file.variables) {
    begins.push(end);
    end += dataSize(variable);
  }
  if (version === 1 && end > OFFSET_MAX) {
    throw new RangeError(`expected at most ${OFFSET_MAX} bytes for 32-bit offsets, found ${end}`);
  }
  const out = new ByteWriter(end);
  out.bytes([0x43, 0x44, 0x46, version]);
  out.int(0);
  out.listHead(NETCDF_TAGS.dimensions, file.dimensions.length);
  for (const { name, length } of file.dimensions) {
    out.name(name);
    out.int(length);
  }
  writeAttributes(out, file.attributes);
  out.listHead(NETCDF_TAGS.variables, file.variables.length);
  const ids = new Map(file.dimensions.map(({ name }, id) => [name, id]));
  for (const [index, variable] of file.variables.entries()) {
    out.name(variable.name);
    out.int(variable.dimensions.length);
    for (const dimension of variable.dimensions) out.int(ids.get(dimension) ?? 0);
    writeAttributes(out, variable.attributes);
    out.int(formOf(variable.type).code);
    out.int(dataSize(variable));
    out.offset(begins[index] ?? 0, offsetSize);
  }
  for (const { type, values } of file.variables) out.values(values, formOf(type), true);
  return out.done();
}

function writeAttributes(out: ByteWriter, attributes: readonly NetcdfAttribute[]): void {
  out.listHead(NETCDF_TAGS.attributes, attributes.length);
  for (const { name, type, values } of attributes) {
    out.name(name);
    out.int(formOf(type).code);
    out.int(values.length);
    out.values(values, formOf(type), false);
  }
}

function formOf(type: NetcdfType): NetcdfTypeForm {
  const form = NETCDF_TYPES.find((known) => known.type === type);
  if (form === undefined) throw new RangeError(`${String(type)} is no netCDF type`);
  return form;
}

const NAMES = new TextEncoder();

function padded(size: number): number {
  return Math.ceil(size / 4) * 4;
}

function dataSize({ type, values }: Pick<NetcdfVariable, 'type' | 'values'>): number {
  return padded(values.length * formOf(type).size);
}

function nameSize(name: string): number {
  return 4 + padded(NAMES.encode(name).length);
}

function attributesSize(attributes: readonly NetcdfAttribute[]): number {
  return attributes.reduce((sum, one) => sum + nameSize(one.name) + 8 + dataSize(one), 8);
}

function sizeOfHeader(file: NetcdfFile, offsetSize: number): number {
  const dimensions = file.dimensions.reduce((sum, { name }) => sum + nameSize(name) + 4, 8);
  const variables = file.variables.reduce((sum, { name, dimensions: rank, attributes }) => {
    const ids = 4 + 4 * rank.length;
    return sum + nameSize(name) + ids + attributesSize(attributes) + 8 + offsetSize;
  }, 8);
  return 8 + dimensions + attributesSize(file.attributes) + variables;
}

function refuseFaults({ dimensions, attributes, variables }: NetcdfFile): void {
  const lengths = new Map(dimensions.map(({ name, length }) => [name, length]));
  refuseNames('dimension', dimensions);
  refuseNames('attribute', attributes);
  refuseNames('variable', variables);
  for (const { name, length } of dimensions) {
    if (!Number.isInteger(length) || length < 1 || length > OFFSET_MAX) {
      throw new RangeError(`dimension ${name}: expected a length from 1, found ${length}`);
    }
  }
  for (const variable of variables) {
    refuseNames(`attribute of ${variable.name}`, variable.attributes);
    const expected = variable.dimensions.reduce((product, dimension) => {
      const length = lengths.get(dimension);
      if (length === undefined) {
        throw new RangeError(`variable ${variable.name}: there is no dimension ${dimension}`);
      }
      return product * length;
    }, 1);
    if (variable.values.length !== expected) {
      const found = variable.values.length;
      throw new RangeError(
        `variable ${variable.name}: expected ${expected} values, found ${found}`,
      );
    }
  }
}

function refuseNames(what: string, named: readonly { readonly name: string }[]): void {
  const seen = new Set<string>();
  for (const { name } of named) {
    if (!isNetcdfName(name)) {
      throw new RangeError(`${what}: ${JSON.stringify(name)} is no netCDF name`);
    }
    if (seen.has(name)) throw new RangeError(`${what}: ${name} stands twice`);
    seen.add(name);
  }
}

/** Writes into one buffer of the size that was computed before; another size is a defect. */
class ByteWriter {
  readonly #view: DataView;
  readonly #bytes: Uint8Array;
  #at = 0;

  constructor(size: number) {
    this.#bytes = new Uint8Array(size);
    this.#view = new DataView(this.#bytes.buffer);
  }

  bytes(bytes: ArrayLike<number>): void {
    this.#bytes.set(bytes, this.#at);
    this.#at += bytes.length;
  }

  int(value: number): void {
    this.#view.setInt32(this.#at, value);
    this.#at += 4;
  }

  offset(value: number, size: 4 | 8): void {
    if (size === 4) this.#view.setInt32(this.#at, value);
    else this.#view.setBigInt64(this.#at, BigInt(value));
    this.#at += size;
  }

  /** A list that is not there is two zero words. */
  listHead(tag: number, count: number): void {
    this.int(count === 0 ? 0 : tag);
    this.int(count);
  }

  name(name: string): void {
    const bytes = NAMES.encode(name);
    this.int(bytes.length);
    this.bytes(bytes);
    this.#at = padded(this.#at);
  }

  /** Values, padded to four bytes: with NUL in the header, with the fill value in the data. */
  values(values: NetcdfValues, form: NetcdfTypeForm, isData: boolean): void {
    const from = this.#at;
    this.#put(values, form);
    const end = from + padded(this.#at - from);
    for (let i = 0; this.#at < end; i++) {
      this.#bytes[this.#at++] = isData ? (form.fill[i % form.size] ?? 0) : 0;
    }
  }

  done(): Uint8Array {
    if (this.#at !== this.#bytes.length) {
      throw new Error(`wrote ${this.#at} bytes where ${this.#bytes.length} were computed`);
    }
    return this.#bytes;
  }

  #put(values: NetcdfValues, { type, size }: NetcdfTypeForm): void {
    const set = this.#setter(type);
    if (set === null) this.#bytes.set(values, this.#at);
    else {
      for (let i = 0; i < values.length; i++) set(this.#at + i * size, values[i] ?? 0);
    }
    this.#at += values.length * size;
  }

  /** How one number is written; null for types that are bytes already. */
  #setter(type: NetcdfType): ((at: number, value: number) => void) | null {
    const view = this.#view;
    switch (type) {
      case 'byte':
      case 'char':
        return null;
      case 'short':
        return (at, value) => view.setInt16(at, value);
      case 'int':
        return (at, value) => view.setInt32(at, value);
      case 'float':
        return (at, value) => view.setFloat32(at, value);
      case 'double':
        return (at, value) => view.setFloat64(at, value);
    }
  }
}
