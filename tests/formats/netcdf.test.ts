import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  isNetcdfName,
  type NetcdfFile,
  netcdfText,
  textAttribute,
} from '../../src/formats/netcdf.js';
import { readNetcdf } from '../../src/formats/netcdf-reader.js';
import { writeNetcdf } from '../../src/formats/netcdf-writer.js';

const EMPTY: NetcdfFile = { dimensions: [], attributes: [], variables: [] };
const SMALL: NetcdfFile = {
  dimensions: [{ name: 'point_number', length: 3 }],
  attributes: [textAttribute('dataset_completeness', 'C1')],
  variables: [
    {
      name: 'ordinate_values',
      dimensions: ['point_number'],
      attributes: [textAttribute('uniform_sampling_flag', 'Y')],
      type: 'float',
      values: Float32Array.of(1, -2, 0.5),
    },
  ],
};

function refusal(bytes: Uint8Array) {
  const read = readNetcdf(bytes);
  if (read.ok) throw new Error('it was read');
  return read.fault;
}

/** The bytes with one 32-bit word replaced. */
function patched(offset: number, value: number): Uint8Array {
  const bytes = writeNetcdf(SMALL);
  new DataView(bytes.buffer).setInt32(offset, value);
  return bytes;
}

describe('a netCDF classic file', () => {
  it('comes back as it was written, in both versions, whatever it holds', () => {
    const name = fc.stringMatching(/^[A-Za-z_][A-Za-z0-9_ ]{0,40}[a-z]$/);
    const values = fc.oneof(
      fc.int8Array({ maxLength: 9 }).map((v) => ({ type: 'byte', values: v }) as const),
      fc.uint8Array({ maxLength: 9 }).map((v) => ({ type: 'char', values: v }) as const),
      fc.int16Array({ maxLength: 9 }).map((v) => ({ type: 'short', values: v }) as const),
      fc.int32Array({ maxLength: 9 }).map((v) => ({ type: 'int', values: v }) as const),
      fc.float32Array({ maxLength: 9 }).map((v) => ({ type: 'float', values: v }) as const),
      fc.float64Array({ maxLength: 9 }).map((v) => ({ type: 'double', values: v }) as const),
    );
    const named = <T>(of: fc.Arbitrary<T>) =>
      fc
        .array(fc.tuple(name, of), { maxLength: 5 })
        .map((all) => [...new Map(all)].map(([key, one]) => ({ name: key, one })));
    fc.assert(
      fc.property(named(values), named(values), fc.constantFrom(1, 2), (globals, data, version) => {
        const attributes = globals.map(({ name: key, one }) => ({ name: key, ...one }));
        const full = data.filter(({ one }) => one.values.length > 0);
        const file: NetcdfFile = {
          dimensions: full.map(({ one }, i) => ({ name: `d${i}`, length: one.values.length })),
          attributes,
          variables: full.map(({ name: key, one }, i) => ({
            name: key,
            dimensions: [`d${i}`],
            attributes,
            ...one,
          })),
        };
        expect(readNetcdf(writeNetcdf(file, version))).toEqual({ ok: true, file });
      }),
    );
  });

  it('is read from a view into a larger buffer', () => {
    const bytes = writeNetcdf(SMALL);
    const larger = Buffer.concat([Buffer.alloc(13, 7), bytes, Buffer.alloc(5, 7)]);
    expect(readNetcdf(larger.subarray(13, 13 + bytes.length))).toEqual({ ok: true, file: SMALL });
  });

  it('holds nothing but its head when it is empty', () => {
    expect(writeNetcdf(EMPTY)).toHaveLength(32);
    expect(readNetcdf(writeNetcdf(EMPTY))).toEqual({ ok: true, file: EMPTY });
  });

  it('is refused when it is cut anywhere', () => {
    const bytes = writeNetcdf(SMALL);
    for (let end = 0; end < bytes.length; end++) {
      expect(refusal(bytes.subarray(0, end)).message).toMatch(/expected/);
    }
  });

  it.each([
    ['netCDF-4', Uint8Array.of(0x89, 0x48, 0x44, 0x46, 0, 0, 0, 0), 0, 'netCDF-4'],
    ['CDF-5', Uint8Array.of(0x43, 0x44, 0x46, 5, 0, 0, 0, 0), 3, 'version 1 or 2, found 5'],
    ['something else', Buffer.from('PK..........'), 0, '43 44 46'],
    ['records', patched(4, 1), 4, 'no record dimension'],
    ['records of unknown number', patched(4, -1), 4, 'found -1'],
    ['a record dimension', patched(32, 0), 32, 'no record dimension'],
    ['a wrong tag', patched(8, 0x0b), 8, 'expected tag 10'],
    ['a list without end', patched(12, 0x7fffffff), 12, 'at most 4096'],
    ['a name without end', patched(16, 0x7fffffff), 16, 'at most 256 bytes'],
    ['an unknown type', patched(164, 9), 164, 'type from 1 to 6'],
    ['another size', patched(168, 8), 168, 'expected a size of 12 bytes, found 8'],
    ['data in the header', patched(172, 12), 172, 'expected its data at 176 or later'],
    ['data behind the end', patched(172, 999), 172, 'the file ends at'],
  ])('is refused with its place: %s', (_what, bytes, offset, message) => {
    const fault = refusal(bytes);
    expect(fault.message).toContain(message);
    expect(fault.offset).toBe(offset);
  });

  it.each([
    ['a name that is none', { ...SMALL, attributes: [textAttribute('a/b', '')] }, 'no netCDF name'],
    ['a name twice', { ...SMALL, dimensions: [...SMALL.dimensions, ...SMALL.dimensions] }, 'twice'],
    [
      'a dimension of nothing',
      { ...SMALL, dimensions: [{ name: 'd', length: 0 }] },
      'length from 1',
    ],
    ['a dimension that is not there', { ...SMALL, dimensions: [] }, 'there is no dimension'],
    [
      'too few values',
      { ...SMALL, dimensions: [{ name: 'point_number', length: 4 }] },
      'expected 4 values, found 3',
    ],
  ])('is not written with %s', (_what, file, message) => {
    expect(() => writeNetcdf(file)).toThrow(message);
  });

  it('knows names, and texts with NULs at their end', () => {
    expect(['_64_byte_string', 'a b', 'é', '漢'].every(isNetcdfName)).toBe(true);
    expect(['', ' a', 'a ', 'a/b', 'a\n', '-a', 'e\u0301'].some(isNetcdfName)).toBe(false);
    expect(netcdfText({ type: 'char', values: Buffer.from('C1+C2\0\0') })).toBe('C1+C2');
    expect(netcdfText({ type: 'char', values: Uint8Array.of(0xff) })).toBeNull();
    expect(netcdfText({ type: 'float', values: Float32Array.of(1) })).toBeNull();
  });
});
