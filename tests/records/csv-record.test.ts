import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CSV_COLUMNS, readCsvRecords, writeCsvRecords } from '../../src/records/csv-record.js';
import type { ResultRecord } from '../../src/records/result-record.js';
import { arbitraryRecord } from './arbitrary-record.js';
import { SAMPLE_RECORD } from './sample-record.js';

function readBack(text: string): readonly ResultRecord[] {
  const read = readCsvRecords(text);
  if (!read.ok)
    throw new Error(read.faults.map((f) => `${f.line} ${f.column}: ${f.message}`).join('\n'));
  return read.records;
}

const TEXT = writeCsvRecords([SAMPLE_RECORD]);

describe('writeCsvRecords and readCsvRecords', () => {
  it('write one header and one row a result, digits as reported', () => {
    const [header] = TEXT.split('\r\n');
    expect(header).toContain(
      'schema,version,site,result_id,revision,environment,origin,bundle_bundle_id',
    );
    expect(header).toContain('measured_at_reported,measured_at_utc');
    expect(TEXT).toContain(',squared-correlation,0.9870,0.90,');
    expect(CSV_COLUMNS).toContain('acquisition_integration_time_ms');
  });

  it('give back the same record', () => {
    expect(readBack(TEXT)).toEqual([SAMPLE_RECORD]);
  });

  it('give back any records, null apart from empty text', () => {
    fc.assert(
      fc.property(fc.array(arbitraryRecord, { maxLength: 3 }), (items) => {
        const records = items.map(({ record }) => record);
        expect(readBack(writeCsvRecords(records))).toEqual(records);
      }),
      { numRuns: 200 },
    );
  });

  it('read the columns in any order', () => {
    const withNul = { ...SAMPLE_RECORD, lot: '\u0000' };
    const [header = '', ...rest] = writeCsvRecords([
      withNul,
      { ...SAMPLE_RECORD, remarks: [] },
    ]).split('\r\n');
    expect(rest[0]).toContain('json:');
    const columns = header.split(',');
    const simple = writeCsvRecords([
      {
        ...SAMPLE_RECORD,
        remarks: [],
        candidates: [],
        findings: [],
        container: null,
        presentation: { kind: 'direct', between: null, probeCover: null },
      },
    ]);
    const turned = simple
      .split('\r\n')
      .map((line) => line.split(',').reverse().join(','))
      .join('\r\n');
    expect(turned.startsWith(columns.at(-1) ?? '')).toBe(true);
    expect(readBack(turned)[0]).toMatchObject({ resultId: SAMPLE_RECORD.resultId, findings: [] });
  });

  it.each([
    ['a missing column', TEXT.replace(',decision,', ',verdict,'), { line: 1, column: 'decision' }],
    ['a doubled column', TEXT.replace(',lot,', ',material,'), { line: 1, column: 'material' }],
    ['a short row', `${TEXT}1,2\r\n`, { line: 3, column: '' }],
    [
      'a decision outside the vocabulary',
      TEXT.replace(',pass,', ',PASS,'),
      { line: 2, column: 'decision' },
    ],
    [
      'a list that is no list',
      TEXT.replace(/"\[""container.*?\]"/, '{}'),
      { line: 2, column: 'findings' },
    ],
    [
      'a list with a key that stands twice',
      TEXT.replace('{""material"":', '{""material"":""other"",""material"":'),
      { line: 2, column: 'candidates' },
    ],
    [
      'half a surrogate pair, which no bundle can hold',
      writeCsvRecords([{ ...SAMPLE_RECORD, lot: 'half \ud800' }]),
      { line: 2, column: 'lot' },
    ],
    ['a broken quote', TEXT.replace('"', ''), { line: 2, column: '' }],
  ])('refuse %s with line and column', (_name, text, place) => {
    const read = readCsvRecords(text);
    expect(read).toMatchObject({
      ok: false,
      faults: expect.arrayContaining([expect.objectContaining(place)]),
    });
  });
});
