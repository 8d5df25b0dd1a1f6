import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { NetCDFReader } from 'netcdfjs';
import { describe, expect, it } from 'vitest';
import { type NetcdfFile, textAttribute } from '../../src/formats/netcdf.js';
import { readNetcdf } from '../../src/formats/netcdf-reader.js';
import { writeNetcdf } from '../../src/formats/netcdf-writer.js';
import { describeWithNcdump, ncdump } from '../support/netcdf-tools.js';
import { describeWithShared } from '../support/shared.js';

/** Written out by hand after Unidata's netCDF classic format specification; an independent writer agrees. */
const TINY_HEX = `
  43444601 00000000 0000000a 00000001 0000000c 706f696e745f6e756d626572 00000003
  0000000c 00000001 00000014 646174617365745f636f6d706c6574656e657373 00000002 00000002 43310000
  0000000b 00000001 0000000f 6f7264696e6174655f76616c75657300 00000001 00000000
  0000000c 00000001 00000015 756e69666f726d5f73616d706c696e675f666c6167000000 00000002 00000001 59000000
  00000005 0000000c 000000b0 3f800000 c0000000 3f000000`;
const TINY: NetcdfFile = {
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

describe('netCDF classic', () => {
  it('of the published tiny case is equal byte for byte: 188 bytes, data at 176', () => {
    const bytes = writeNetcdf(TINY);
    expect(Buffer.from(bytes).toString('hex')).toBe(TINY_HEX.replace(/\s/g, ''));
    expect(bytes).toHaveLength(188);
    expect(new DataView(bytes.buffer).getInt32(172)).toBe(0xb0);
  });

  it('of the tiny case with 64-bit offsets is four bytes longer', () => {
    const bytes = writeNetcdf(TINY, 2);
    expect(bytes).toHaveLength(192);
    expect(bytes[3]).toBe(2);
    expect(new DataView(bytes.buffer).getBigInt64(172)).toBe(0xb4n);
  });

  it('rounds to float as IEEE 754 does: 0.1 reads back as 0.10000000149011612', () => {
    const [variable] = TINY.variables;
    const values = Float32Array.of(0.1, 0.1, 0.1);
    const bytes = writeNetcdf({ ...TINY, variables: variable ? [{ ...variable, values }] : [] });
    const read = readNetcdf(bytes);
    expect(read.ok && read.file.variables[0]?.values[0]).toBe(0.10000000149011612);
  });

  it('is read by an independent reader, netcdfjs 4.0.0 (MIT), as it was written', () => {
    const reader = new NetCDFReader(writeNetcdf(TINY));
    expect(reader.version).toBe('classic format');
    expect(reader.getDataVariable('ordinate_values')).toEqual([1, -2, 0.5]);
    expect(reader.getAttribute('dataset_completeness')).toBe('C1');
  });
});

describeWithShared('the sample files beside the standard', (shared) => {
  const sample = (name: string) => readFileSync(join(shared, 'standards/samples', name));

  it.each(['tiny.cdf', 'raman-e1947-style.cdf'])(
    'of the netCDF library are written again byte for byte: %s',
    (name) => {
      const read = readNetcdf(sample(name));
      if (!read.ok) throw new Error(read.fault.message);
      expect(Buffer.from(writeNetcdf(read.file)).equals(sample(name))).toBe(true);
    },
  );
});

describeWithNcdump('netCDF classic files that we write', () => {
  it('are read by ncdump, which calls them classic', () => {
    const bytes = writeNetcdf(TINY);
    expect(ncdump(bytes, 'tiny.cdf', ['-k']).trim()).toBe('classic');
    expect(ncdump(writeNetcdf(TINY, 2), 'tiny.cdf', ['-k']).trim()).toBe('64-bit offset');
    expect(ncdump(bytes, 'tiny.cdf')).toContain('ordinate_values = 1, -2, 0.5 ;');
  });
});
