import { createHash } from 'node:crypto';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import { type AnimlContent, readAniml } from '../../src/records/animl-reader.js';
import { ANIML_WRITER_VERSION, writeAniml } from '../../src/records/animl-writer.js';
import { recordJson } from '../../src/records/build-record.js';
import { arbitraryRecord } from './arbitrary-record.js';
import { SAMPLE_RECORD, SAMPLE_VALUES } from './sample-record.js';

function readBack(text: string): AnimlContent {
  const read = readAniml(Buffer.from(text, 'utf8'));
  if (!read.ok) throw new Error(read.faults.map((f) => `${f.path}: ${f.message}`).join('\n'));
  return read.content;
}

const bits = (values: SpectrumValues | null) =>
  values === null
    ? null
    : [values.axis, values.intensity].map((series) => [
        series.constructor.name,
        Buffer.from(series.buffer, series.byteOffset, series.byteLength).toString('hex'),
      ]);

describe('writeAniml and readAniml', () => {
  it('give back the same record, digits included, and the same bits', () => {
    const content = readBack(writeAniml(SAMPLE_RECORD, SAMPLE_VALUES));
    expect(content.record).toEqual(SAMPLE_RECORD);
    expect(content.values).toEqual(SAMPLE_VALUES);
  });

  it('give back any record: any Unicode, control characters, blanks, digits, absent fields', () => {
    fc.assert(
      fc.property(arbitraryRecord, ({ record, values }) => {
        const content = readBack(writeAniml(record, values));
        expect(content.record).toEqual(record);
        expect(recordJson(content.record)).toBe(recordJson(record));
        expect(bits(content.values)).toEqual(bits(values));
        expect(content.values?.even ?? null).toEqual(values?.even ?? null);
      }),
      { numRuns: 400 },
    );
  });

  it('write the same bytes for the same record, whatever order its members have', () => {
    fc.assert(
      fc.property(arbitraryRecord, ({ record, values }) => {
        const shuffled = Object.fromEntries(Object.entries(record).reverse());
        expect(writeAniml(shuffled as unknown as typeof record, values)).toBe(
          writeAniml(record, values),
        );
      }),
      { numRuns: 50 },
    );
  });

  it('write the bytes that this version of the writer has always written', () => {
    // Digests of earlier documents are stored with the version: other bytes need another version.
    const digests = [writeAniml(SAMPLE_RECORD, SAMPLE_VALUES), writeAniml(SAMPLE_RECORD, null)].map(
      (text) => createHash('sha256').update(text).digest('hex'),
    );
    expect({ version: ANIML_WRITER_VERSION, digests }).toEqual({
      version: '1.0',
      digests: [
        'cc391d542849cd03ecc4cc9c104fa413ad3991dc2b317abb6eea4edd95518142',
        '9d1daf47fde0b6145469af3cdc1a323b5dd9a28ba6cbc23c528bcd794f4983de',
      ],
    });
  });

  it('write again what was read, byte for byte', () => {
    const text = writeAniml(SAMPLE_RECORD, SAMPLE_VALUES);
    const content = readBack(text);
    expect(writeAniml(content.record, content.values)).toBe(text);
  });

  it('describe a spectrum without carrying it when no values are given', () => {
    const text = writeAniml(SAMPLE_RECORD, null);
    expect(text).not.toContain('SeriesSet');
    expect(readBack(text)).toEqual({
      record: SAMPLE_RECORD,
      values: null,
      attachments: [],
    });
  });

  it('keep a view into a larger buffer apart from its neighbours', () => {
    const larger = Float32Array.from([9, 12.5, -1, 1001.25, 0.15625, 9]);
    const values = { ...SAMPLE_VALUES, intensity: larger.subarray(1, 5) };
    expect(writeAniml(SAMPLE_RECORD, values)).toBe(writeAniml(SAMPLE_RECORD, SAMPLE_VALUES));
  });

  it('refuse to write values that do not belong to the record', () => {
    const short = { ...SAMPLE_VALUES, axis: SAMPLE_VALUES.axis.slice(1) };
    expect(() => writeAniml(SAMPLE_RECORD, short)).toThrow('4 points');
    expect(() => writeAniml({ ...SAMPLE_RECORD, spectrum: null }, SAMPLE_VALUES)).toThrow(
      'without one',
    );
    const unit = { ...SAMPLE_VALUES, intensityUnit: 'volts' };
    expect(() => writeAniml(SAMPLE_RECORD, unit)).toThrow('volts');
  });
});
