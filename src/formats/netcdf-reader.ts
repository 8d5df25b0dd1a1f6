import {
  isNetcdfName,
  NETCDF_TAGS,
  NETCDF_TYPES,
  type NetcdfAttribute,
  type NetcdfDimension,
  type NetcdfFile,
  type NetcdfType,
  type NetcdfTypeForm,
  type NetcdfValues,
  type NetcdfVariable,
} from './netcdf.js';

export interface NetcdfFault {
  /** Byte offset in the file, from 0. */
  readonly offset: number;
  /** What is read there, e.g. `variable ordinate_values`; '' for the file as a whole. */
  readonly at: string;
  /** Found against expected. */
  readonly message: string;
}

export type NetcdfRead =
  | { readonly ok: true; readonly file: NetcdfFile }
  | { readonly ok: false; readonly fault: NetcdfFault };

export interface NetcdfLimits {
  readonly bytesMax: number;
  /** Of each list: dimensions, attributes of one thing, variables. */
  readonly listMax: number;
  readonly nameBytesMax: number;
}

export const NETCDF_LIMITS: NetcdfLimits = {
  bytesMax: 67_108_864,
  listMax: 4_096,
  nameBytesMax: 256,
};

/**
 * Reads a netCDF classic file (CDF-1 or CDF-2). No value is given before the whole header was found to fit the
 * bytes: every offset and length is compared with them first, so a short file costs nothing. Refused, as a
 * value: other containers (HDF5-based netCDF-4, CDF-5), a record dimension, names that netCDF does not take
 * or that stand twice, lists or sizes past the limits, data that lie outside the file or over one another.
 */
export function readNetcdf(bytes: Uint8Array, limits: NetcdfLimits = NETCDF_LIMITS): NetcdfRead {
  try {
    return { ok: true, file: new NetcdfReader(bytes, limits).read() };
  } catch (error) {
    if (error instanceof Refusal) return { ok: false, fault: error.fault };
    throw error;
  }
}

class Refusal extends Error {
  constructor(readonly fault: NetcdfFault) {
    super(fault.message);
  }
}

interface VariableHead {
  readonly variable: Omit<NetcdfVariable, 'values'>;
  readonly form: NetcdfTypeForm;
  readonly count: number;
  readonly begin: number;
  /** Where its `begin` stands, for faults. */
  readonly stands: number;
}

const WORD = 4;
const INT_MAX = 0x7fffffff;

class NetcdfReader {
  readonly #view: DataView;
  #at = 0;
  #place = '';

  constructor(
    private readonly bytes: Uint8Array,
    private readonly limits: NetcdfLimits,
  ) {
    this.#view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  }

  read(): NetcdfFile {
    if (this.bytes.length > this.limits.bytesMax) {
      throw this.#refusal(
        `expected at most ${this.limits.bytesMax} bytes, found ${this.bytes.length}`,
      );
    }
    const offsetSize = this.#magic();
    const records = this.#int('number of records');
    if (records !== 0) {
      throw this.#refusal(
        `expected no record dimension, found ${records} records`,
        this.#at - WORD,
      );
    }
    const dimensions = this.#dimensions();
    const attributes = this.#attributes('global attribute');
    const heads = this.#variables(dimensions, offsetSize);
    this.#refuseOverlaps(heads);
    const variables = heads.map((head) => ({
      ...head.variable,
      values: this.#values(head.begin, head.count, head.form),
    }));
    return { dimensions, attributes, variables };
  }

  #magic(): 4 | 8 {
    const [c, d, f, version] = this.bytes;
    if (c === 0x89 && d === 0x48 && f === 0x44 && version === 0x46) {
      throw this.#refusal(
        'expected netCDF classic, found netCDF-4 (an HDF5 file); convert it first',
      );
    }
    if (c !== 0x43 || d !== 0x44 || f !== 0x46) {
      throw this.#refusal('expected the bytes 43 44 46 of netCDF classic at the start');
    }
    if (version !== 1 && version !== 2) {
      throw this.#refusal(
        `expected netCDF classic version 1 or 2, found ${version ?? 'the end'}`,
        3,
      );
    }
    this.#at = WORD;
    return version === 1 ? 4 : 8;
  }

  #dimensions(): readonly NetcdfDimension[] {
    const found = this.#list(NETCDF_TAGS.dimensions, 'dimension', (name) => {
      const stands = this.#at;
      const length = this.#int('length');
      if (length === 0) throw this.#refusal('expected no record dimension', stands);
      return { name, length };
    });
    return found;
  }

  #attributes(what: string): readonly NetcdfAttribute[] {
    return this.#list(NETCDF_TAGS.attributes, what, (name) => {
      const form = this.#type();
      const count = this.#int('number of values');
      const begin = this.#at;
      this.#skip(count * form.size);
      return { name, type: form.type, values: this.#values(begin, count, form) };
    });
  }

  #variables(dimensions: readonly NetcdfDimension[], offsetSize: 4 | 8): readonly VariableHead[] {
    return this.#list(NETCDF_TAGS.variables, 'variable', (name) => {
      const rank = this.#int('number of dimensions');
      if (rank > this.limits.listMax) throw this.#refusal(`found ${rank} dimensions`);
      const of = Array.from({ length: rank }, () => this.#dimension(dimensions));
      const attributes = this.#attributes(`attribute of ${name}`);
      this.#place = `variable ${name}`;
      const form = this.#type();
      const count = of.reduce((product, { length }) => product * length, 1);
      const sizeStands = this.#at;
      const size = this.#int('size');
      const expected = Math.ceil((count * form.size) / WORD) * WORD;
      if (size !== expected) {
        throw this.#refusal(`expected a size of ${expected} bytes, found ${size}`, sizeStands);
      }
      const stands = this.#at;
      const begin = offsetSize === WORD ? this.#int('offset') : this.#longOffset();
      const variable = { name, dimensions: of.map((one) => one.name), attributes, type: form.type };
      return { name, variable, form, count, begin, stands };
    });
  }

  #dimension(dimensions: readonly NetcdfDimension[]): NetcdfDimension {
    const id = this.#int('dimension id');
    const dimension = dimensions[id];
    if (dimension !== undefined) return dimension;
    throw this.#refusal(
      `expected the id of one of ${dimensions.length} dimensions, found ${id}`,
      this.#at - WORD,
    );
  }

  /** Data behind the header, inside the file, each in its own bytes. */
  #refuseOverlaps(heads: readonly VariableHead[]): void {
    let end = this.#at;
    for (const { variable, begin, count, form, stands } of heads.toSorted(
      (a, b) => a.begin - b.begin,
    )) {
      this.#place = `variable ${variable.name}`;
      if (begin < end) {
        throw this.#refusal(`expected its data at ${end} or later, found ${begin}`, stands);
      }
      end = begin + count * form.size;
      if (end > this.bytes.length) {
        throw this.#refusal(
          `expected its data to end at ${end}, the file ends at ${this.bytes.length}`,
          stands,
        );
      }
    }
  }

  #list<T extends { readonly name: string }>(
    tag: number,
    what: string,
    item: (name: string) => T,
  ): readonly T[] {
    this.#place = `${what} list`;
    const stands = this.#at;
    const found = this.#int('tag');
    const count = this.#int('count');
    if (found === 0 && count === 0) return [];
    if (found !== tag || count === 0) {
      throw this.#refusal(`expected tag ${tag} and a count, found ${found} and ${count}`, stands);
    }
    if (count > this.limits.listMax) {
      throw this.#refusal(`expected at most ${this.limits.listMax}, found ${count}`, stands + WORD);
    }
    const items = new Map<string, T>();
    for (let i = 0; i < count; i++) {
      this.#place = `${what} ${i + 1}`;
      const nameStands = this.#at;
      const name = this.#name();
      this.#place = `${what} ${name}`;
      if (items.has(name)) throw this.#refusal('found the name twice', nameStands);
      items.set(name, item(name));
    }
    return [...items.values()];
  }

  #name(): string {
    const stands = this.#at;
    const size = this.#int('length of a name');
    if (size > this.limits.nameBytesMax) {
      throw this.#refusal(
        `expected a name of at most ${this.limits.nameBytesMax} bytes, found ${size}`,
        stands,
      );
    }
    const begin = this.#at;
    this.#skip(size);
    const name = this.#utf8(this.bytes.subarray(begin, begin + size));
    if (name === null || !isNetcdfName(name)) {
      throw this.#refusal(`expected a netCDF name, found ${JSON.stringify(name)}`, begin);
    }
    return name;
  }

  #utf8(bytes: Uint8Array): string | null {
    try {
      return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
    } catch {
      // The caller names the place.
      return null;
    }
  }

  #type(): NetcdfTypeForm {
    const code = this.#int('type');
    const form = NETCDF_TYPES.find((known) => known.code === code);
    if (form !== undefined) return form;
    throw this.#refusal(`expected a type from 1 to 6, found ${code}`, this.#at - WORD);
  }

  #int(what: string): number {
    if (this.#at + WORD > this.bytes.length) {
      throw this.#refusal(`expected ${what}, the file ends at ${this.bytes.length}`);
    }
    const value = this.#view.getInt32(this.#at);
    if (value < 0) throw this.#refusal(`expected ${what}, found ${value}`);
    this.#at += WORD;
    return value;
  }

  #longOffset(): number {
    if (this.#at + 8 > this.bytes.length) {
      throw this.#refusal(`expected offset, the file ends at ${this.bytes.length}`);
    }
    const value = this.#view.getBigInt64(this.#at);
    if (value < 0n || value > BigInt(INT_MAX)) throw this.#refusal(`found the offset ${value}`);
    this.#at += 8;
    return Number(value);
  }

  /** Passes over so many bytes and their padding. */
  #skip(size: number): void {
    const end = this.#at + Math.ceil(size / WORD) * WORD;
    if (end > this.bytes.length) {
      throw this.#refusal(`expected ${size} bytes, the file ends at ${this.bytes.length}`);
    }
    this.#at = end;
  }

  #values(begin: number, count: number, { type, size }: NetcdfTypeForm): NetcdfValues {
    const view = this.#view;
    const at = (i: number) => begin + i * size;
    const of = { length: count };
    switch (type satisfies NetcdfType) {
      case 'byte':
        return new Int8Array(this.bytes.subarray(begin, begin + count));
      case 'char':
        return new Uint8Array(this.bytes.subarray(begin, begin + count));
      case 'short':
        return Int16Array.from(of, (_, i) => view.getInt16(at(i)));
      case 'int':
        return Int32Array.from(of, (_, i) => view.getInt32(at(i)));
      case 'float': {
        const values = new Float32Array(count);
        for (let i = 0; i < count; i++) values[i] = view.getFloat32(at(i));
        return values;
      }
      case 'double': {
        const values = new Float64Array(count);
        for (let i = 0; i < count; i++) values[i] = view.getFloat64(at(i));
        return values;
      }
    }
  }

  #refusal(message: string, offset = this.#at): Refusal {
    return new Refusal({ offset, at: this.#place, message });
  }
}
