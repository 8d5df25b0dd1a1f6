import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import { readOpenJcamp } from '../../src/formats/jcamp-spectra.js';
import { type NetcdfAttribute, netcdfText, textAttribute } from '../../src/formats/netcdf.js';
import { readNetcdf } from '../../src/formats/netcdf-reader.js';
import { writeNetcdf } from '../../src/formats/netcdf-writer.js';
import type { OpenSpectrum } from '../../src/formats/open-spectrum.js';
import { readOpenAniml } from '../../src/records/animl-document.js';
import { type E1947Content, readE1947, readOpenE1947 } from '../../src/records/e1947-reader.js';
import { writeE1947 } from '../../src/records/e1947-writer.js';
import {
  type JcampContent,
  readJcampRecord,
  writeJcampRecord,
  writeOpenJcamp,
} from '../../src/records/jcamp-record.js';
import { writeOpenAniml } from '../../src/records/open-animl.js';
import { writeOpenE1947 } from '../../src/records/open-e1947.js';
import type { ResultRecord } from '../../src/records/result-record.js';
import { arbitraryRecord } from './arbitrary-record.js';
import { SAMPLE_RECORD, SAMPLE_VALUES, valuesDigest } from './sample-record.js';

function e1947(bytes: Uint8Array): E1947Content {
  const read = readE1947(bytes);
  if (!read.ok) throw new Error(JSON.stringify(read.faults));
  return read.content;
}

function jcamp(text: string): JcampContent {
  const read = readJcampRecord(Buffer.from(text, 'utf8'));
  if (!read.ok) throw new Error(JSON.stringify(read.faults));
  return read.content;
}

const bits = (values: SpectrumValues) =>
  [values.axis, values.intensity].map((series) => [
    series.constructor.name,
    Buffer.from(series.buffer, series.byteOffset, series.byteLength).toString('hex'),
  ]);

/** Records with a spectrum of finite numbers: what a measurement gives. */
const measured = arbitraryRecord.filter(
  ({ values }) =>
    values !== null && [...values.axis, ...values.intensity].every((v) => Number.isFinite(v)),
) as fc.Arbitrary<{ readonly record: ResultRecord; readonly values: SpectrumValues }>;

const WIDE: SpectrumValues = {
  axis: Float64Array.of(200.1, 201.7, 204),
  intensity: Float64Array.of(0.1, 2, 3),
  even: null,
  intensityUnit: 'counts',
};
const WIDE_RECORD: ResultRecord = {
  ...SAMPLE_RECORD,
  spectrum: {
    points: 3,
    axisWidth: 'float64',
    intensityWidth: 'float64',
    axisFirst: '200.1',
    axisLast: '204',
    intensityUnit: 'counts',
    sha256: valuesDigest(WIDE),
  },
};

describe('a record in E1947-style netCDF', () => {
  it('comes back as it was, whatever its texts hold; ordinates as float32', () => {
    fc.assert(
      fc.property(measured, ({ record, values }) => {
        const content = e1947(writeE1947(record, values));
        expect(content.record).toEqual(record);
        expect(content.values.even).toEqual(values.even);
        const rounded = { ...values, intensity: Float32Array.from(values.intensity) };
        const isExact = [...values.intensity].every((v) => Object.is(Math.fround(v), v));
        expect(bits(content.values)).toEqual(bits(isExact ? values : rounded));
        expect(content.isExact).toBe(isExact);
      }),
      { numRuns: 200 },
    );
  });

  it('says that ordinates wider than float32 are rounded', () => {
    const content = e1947(writeE1947(WIDE_RECORD, WIDE));
    expect(content.isExact).toBe(false);
    expect(content.values.intensity[0]).toBe(0.10000000149011612);
    const read = readNetcdf(writeE1947(WIDE_RECORD, WIDE));
    const ordinates = read.ok
      ? read.file.variables.find((v) => v.name === 'ordinate_values')
      : null;
    expect(ordinates?.attributes.map((a) => [a.name, netcdfText(a)])).toEqual([
      ['uniform_sampling_flag', 'N'],
      ['as_reported', 'float64, rounded to float32'],
    ]);
  });

  it('uses no name of the standard for what it has not: no time axis, no injection, no peaks', () => {
    const read = readNetcdf(writeE1947(SAMPLE_RECORD, SAMPLE_VALUES));
    if (!read.ok) throw new Error(read.fault.message);
    const names = [...read.file.attributes, ...read.file.variables].map(({ name }) => name);
    for (const name of names)
      expect(name).not.toMatch(/retention|injection|peak|actual_|separation/);
    expect(names).toContain('conformance_note');
    const stamp = read.file.attributes.find((a) => a.name === 'acquisition_date_time_stamp');
    expect(stamp && netcdfText(stamp)).toBe('20260304091530+0100');
  });

  it('is refused when a value or a text of it was changed', () => {
    const bytes = Buffer.from(writeE1947(SAMPLE_RECORD, SAMPLE_VALUES));
    const last = bytes.length - 20;
    for (const at of [
      bytes.indexOf('NQ-R-0001:1:17') + 3,
      bytes.indexOf(Buffer.from('41480000', 'hex')),
    ]) {
      expect(at).toBeGreaterThan(0);
      expect(at).toBeLessThan(last);
      const changed = Buffer.from(bytes);
      changed[at] = (changed[at] ?? 0) ^ 1;
      expect(readE1947(changed).ok).toBe(false);
    }
  });

  it('is refused, not thrown at, with half a surrogate pair in a text', () => {
    const material = 'json:"\\ud800"';
    const text = Buffer.from(
      writeE1947({ ...SAMPLE_RECORD, material: 'X'.repeat(material.length) }, SAMPLE_VALUES),
    ).toString('latin1');
    const read = readE1947(Buffer.from(text.replaceAll('X'.repeat(13), material), 'latin1'));
    expect(read).toMatchObject({
      ok: false,
      faults: [{ at: 'record_material', message: expect.stringContaining('surrogate') }],
    });
  });

  it('is a spectrum to a reader that knows nothing of records', () => {
    const read = readOpenE1947(writeE1947(SAMPLE_RECORD, SAMPLE_VALUES));
    if (!read.ok) throw new Error(read.fault.message);
    const [spectrum] = read.spectra;
    expect([...(spectrum?.axis ?? [])]).toEqual([...SAMPLE_VALUES.axis]);
    expect(spectrum?.intensityUnit).toBe('counts');
  });
});

describe('a netCDF file that somebody else wrote', () => {
  const of = (
    axis: { name?: string; values: Float64Array | Float32Array | null; units?: string },
    ordinates: { values: Float32Array; attributes?: readonly NetcdfAttribute[] },
    even: { start: number; units: string } | null = null,
  ) => {
    const scalar = (name: string, value: number, units: string) => ({
      name,
      dimensions: [],
      attributes: [textAttribute('units', units)],
      type: 'double' as const,
      values: Float64Array.of(value),
    });
    return readOpenE1947(
      writeNetcdf({
        dimensions: [{ name: 'point_number', length: 3 }],
        attributes: [],
        variables: [
          ...(axis.values === null
            ? []
            : [
                {
                  name: 'raman_shift_values',
                  dimensions: ['point_number'],
                  attributes: [],
                  type:
                    axis.values instanceof Float32Array ? ('float' as const) : ('double' as const),
                  values: axis.values,
                },
              ]),
          ...(even === null
            ? []
            : [
                scalar('raman_shift_start', even.start, even.units),
                scalar('raman_shift_interval', 1, even.units),
              ]),
          {
            name: 'ordinate_values',
            dimensions: ['point_number'],
            attributes: ordinates.attributes ?? [],
            type: 'float',
            values: ordinates.values,
          },
        ],
      }),
    );
  };
  const three = { values: Float32Array.of(1, 2, 3) };
  const axis = { values: Float64Array.of(100, 101, 103) };

  it('has the axis that stands in it, not the one that a start and an interval would give', () => {
    const read = of({ values: Float32Array.of(100, 101, 103) }, three, {
      start: 200,
      units: 'cm-1',
    });
    expect(read.ok && [...(read.spectra[0]?.axis ?? [])]).toEqual([100, 101, 103]);
  });

  it('is refused where start and interval of its axis are in another unit', () => {
    expect(of({ values: null }, three, { start: 400, units: 'nm' })).toMatchObject({
      ok: false,
      fault: { at: 'raman_shift_start:units', message: 'expected cm-1, found nm' },
    });
    expect(of({ values: null }, three, { start: 400, units: 'cm-1' })).toMatchObject({ ok: true });
  });

  /**
   * netCDF Users Guide, "Attribute Conventions" (Unidata): scale_factor, add_offset, _FillValue, missing_value; the default
   * fill of float is 0x7CF00000 in the file format specification. -9999 is the null of E1947 (shared facts, "Missing numbers").
   */
  it.each([
    ['scale_factor', Float32Array.of(0.5), [1, 2, 3]],
    ['add_offset', Float32Array.of(100), [1, 2, 3]],
    ['_FillValue', Float32Array.of(2), [1, 2, 3]],
    ['missing_value', Float32Array.of(3), [1, 2, 3]],
    ['comment', Float32Array.of(0), [1, 9.969209968386869e36, 3]],
    ['comment', Float32Array.of(0), [1, -9999, 3]],
  ] as const)('is refused where its numbers are no measured values: %s', (name, values, found) => {
    const attributes = [{ name, type: 'float' as const, values }];
    const read = of(axis, { values: Float32Array.from(found), attributes });
    expect(read).toMatchObject({ ok: false, fault: { at: 'ordinate_values' } });
  });

  it('is read with a scale and an offset that change nothing', () => {
    const attributes = [
      { name: 'scale_factor', type: 'float' as const, values: Float32Array.of(1) },
      { name: 'add_offset', type: 'float' as const, values: Float32Array.of(0) },
      { name: '_FillValue', type: 'float' as const, values: Float32Array.of(-1) },
    ];
    expect(of(axis, { ...three, attributes })).toMatchObject({ ok: true });
  });
});

describe('a record in JCAMP-DX', () => {
  it('comes back as it was, every bit and every digit, whatever its texts hold', () => {
    fc.assert(
      fc.property(measured, ({ record, values }) => {
        const text = writeJcampRecord(record, values);
        expect(text).toMatch(/^[\r\n -~]*$/);
        const content = jcamp(text);
        expect(content.record).toEqual(record);
        expect(content.values.even).toEqual(values.even);
        expect(bits(content.values)).toEqual(bits(values));
      }),
      { numRuns: 200 },
    );
  });

  it('is a table where its axis is even and a list of pairs where not', () => {
    const even = writeJcampRecord(SAMPLE_RECORD, SAMPLE_VALUES);
    expect(even).toContain('##XYDATA= (X++(Y..Y))\r\n200 12.5 -1 1001.25 0.15625\r\n');
    expect(even).toContain('##LONGDATE= 2026/03/04 09:15:30.250 +0100\r\n');
    expect(writeJcampRecord(WIDE_RECORD, WIDE)).toContain(
      '##XYPOINTS= (XY..XY)\r\n200.1,0.1 201.7,2 204,3\r\n',
    );
  });

  it('is refused when a value or a text of it was changed', () => {
    const text = writeJcampRecord(SAMPLE_RECORD, SAMPLE_VALUES);
    for (const [from, to] of [
      ['-1 1001.25', '-1 1001.50'],
      ['##$RECORD DECISION= pass', '##$RECORD DECISION= fail'],
      ['##$RECORD DECISION= pass', '##$RECORD DECISION= good'],
    ] as const) {
      expect(text).toContain(from);
      expect(readJcampRecord(Buffer.from(text.replace(from, to))).ok).toBe(false);
    }
  });
});

it('is refused, not thrown at, with half a surrogate pair in JCAMP-DX', () => {
  const text = writeJcampRecord(SAMPLE_RECORD, SAMPLE_VALUES);
  const material = `##$RECORD MATERIAL= ${SAMPLE_RECORD.material}`;
  expect(text).toContain(material);
  for (const half of ['##$RECORD MATERIAL= json:"\\ud800"', '##$RECORD MATERIAL= text:"\\ud800"']) {
    expect(readJcampRecord(Buffer.from(text.replace(material, half)))).toMatchObject({
      ok: false,
      faults: [{ message: expect.stringContaining('surrogate') }],
    });
  }
});

describe('a spectrum without a record', () => {
  const noted = (notes: OpenSpectrum['notes']): OpenSpectrum => ({
    title: 't',
    axis: Float64Array.of(1, 2),
    intensity: Float64Array.of(1, 2),
    intensityUnit: 'counts',
    notes,
  });

  it.each(['a\u0001b', 'json:"x"', '\ufffe', 'a\r\nb'])(
    'comes back from AnIML with the text %j letter for letter',
    (text) => {
      const read = readOpenAniml(Buffer.from(writeOpenAniml(noted([{ name: 'N', text }]))));
      expect(read.ok && read.spectra[0]?.notes).toEqual([{ name: 'Notes / N', text }]);
    },
  );

  it('keeps in netCDF the texts of all names that become one', () => {
    const notes = ['a/b', 'a b'].map((name) => ({ name, text: `of ${name}` }));
    const read = readOpenE1947(writeOpenE1947(noted(notes)));
    expect(read.ok && read.spectra[0]?.notes).toContainEqual({
      name: 'note_a b',
      text: 'of a/b\nof a b',
    });
  });

  it('comes back from JCAMP-DX with its texts', () => {
    const spectrum = {
      title: 'polystyrene (simulated)',
      axis: Float64Array.of(1000, 1001.5, 1004),
      intensity: Float64Array.of(1, 2.5, -3),
      intensityUnit: 'counts',
      notes: [{ name: 'SAMPLE', text: 'foil' }],
    };
    const read = readOpenJcamp(Buffer.from(writeOpenJcamp([spectrum, spectrum])));
    if (!read.ok) throw new Error(read.fault.message);
    expect(read.spectra).toHaveLength(2);
    expect(read.spectra[1]).toMatchObject({ title: spectrum.title, axis: spectrum.axis });
    expect(read.spectra[1]?.notes).toContainEqual({ name: '$SAMPLE', text: 'foil' });
  });

  it('is refused when header and data do not agree, and when there is none', () => {
    const of = (text: string) => readOpenJcamp(Buffer.from(text));
    const wrong = `##TITLE= t\n##DATA TYPE= RAMAN SPECTRUM\n##XUNITS= 1/CM\n##FIRSTY= 9\n##NPOINTS= 2\n##XYPOINTS= (XY..XY)\n1,2; 3,4\n##END=\n`;
    expect(of(wrong)).toMatchObject({
      ok: false,
      fault: { at: 'line 4', message: 'expected FIRSTY 2, found 9' },
    });
    expect(of(wrong.replace('##FIRSTY= 9\n', '')).ok).toBe(true);
    expect(of(wrong.replace('RAMAN', 'INFRARED'))).toMatchObject({ ok: false });
    expect(of(wrong.replace('1/CM', 'SECONDS').replace('##FIRSTY= 9\n', ''))).toMatchObject({
      ok: false,
    });
  });
});
