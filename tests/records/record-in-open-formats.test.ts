import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import { readOpenJcamp } from '../../src/formats/jcamp-spectra.js';
import { netcdfText } from '../../src/formats/netcdf.js';
import { readNetcdf } from '../../src/formats/netcdf-reader.js';
import { type E1947Content, readE1947, readOpenE1947 } from '../../src/records/e1947-reader.js';
import { writeE1947 } from '../../src/records/e1947-writer.js';
import {
  type JcampContent,
  readJcampRecord,
  writeJcampRecord,
  writeOpenJcamp,
} from '../../src/records/jcamp-record.js';
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

  it('is a spectrum to a reader that knows nothing of records', () => {
    const read = readOpenE1947(writeE1947(SAMPLE_RECORD, SAMPLE_VALUES));
    if (!read.ok) throw new Error(read.fault.message);
    const [spectrum] = read.spectra;
    expect([...(spectrum?.axis ?? [])]).toEqual([...SAMPLE_VALUES.axis]);
    expect(spectrum?.intensityUnit).toBe('counts');
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

describe('a spectrum without a record', () => {
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
