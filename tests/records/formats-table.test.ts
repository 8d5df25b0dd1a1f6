import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import { convertFile } from '../../src/cli/convert-file.files.js';
import type { ConvertAnswer, ConvertedItem } from '../../src/cli/convert-task.js';
import { canonicalJson } from '../../src/formats/canonical-json.js';
import { RAW_CSV } from '../../src/formats/csv.js';
import { instantFromMillis } from '../../src/formats/instant.js';
import type { OpenSpectrum } from '../../src/formats/open-spectrum.js';
import { ANIML_WRITER_VERSION } from '../../src/records/animl-writer.js';
import { E1947_WRITER_VERSION } from '../../src/records/e1947-writer.js';
import { type Encoded, encodeOpenSpectrum, encodeRecord } from '../../src/records/encode-record.js';
import { JCAMP_WRITER_VERSION } from '../../src/records/jcamp-record.js';
import {
  type DecodedRecord,
  decodeOpenFile,
  OPEN_FORMATS,
  type OpenFormat,
} from '../../src/records/open-file.js';
import type { ResultRecord } from '../../src/records/result-record.js';
import { readSpectrumOfRecord } from '../../src/records/spectrum-csv.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';
import { decimal, SAMPLE_RECORD, SAMPLE_VALUES, valuesDigest } from './sample-record.js';

/** Every cell of the table in docs/formats.md is found by writing and reading, and compared with the page. */
const HEADING = ['what', 'AnIML', 'E1947-style netCDF', 'JCAMP-DX', 'CSV'];
const ODD = ']d2\u001d01  ünïcode\u{1f6e2}\r\n"#$$ ##\t\u0000 ';

let folder: string;

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'drumline-table-'));
});

afterAll(() => {
  rmSync(folder, { recursive: true });
});

function bytesOf(encoded: Encoded): readonly Buffer[] {
  if (!encoded.ok) return [];
  return encoded.files.map(({ content }) => Buffer.from(content));
}

/** What comes back of a record; null when the format has no form for it, 'refused' when it is not taken. */
function readBack(format: OpenFormat, files: readonly Buffer[]): DecodedRecord | 'refused' | null {
  const own = files.at(-1);
  if (own === undefined) return null;
  const decoded = decodeOpenFile(own, format);
  if (decoded.kind !== 'records') return 'refused';
  const [first] = decoded.records;
  const beside = files.length > 1 ? files[0] : undefined;
  if (first === undefined) return 'refused';
  if (beside === undefined || first.record.spectrum === null) return first;
  const read = readSpectrumOfRecord(beside.toString('utf8'), first.record.spectrum);
  return read.ok ? { ...first, values: read.values } : 'refused';
}

function back(format: OpenFormat, record: ResultRecord, values: SpectrumValues | null) {
  return readBack(format, bytesOf(encodeRecord({ record, values, isExact: true }, format)));
}

type Cell = (format: OpenFormat) => string;

const sameRecord =
  (record: ResultRecord): Cell =>
  (format) => {
    const read = back(format, record, SAMPLE_VALUES);
    if (read === null || read === 'refused') return 'lost';
    return canonicalJson(read.record) === canonicalJson(record) ? 'kept' : 'lost';
  };

const hex = (values: Float64Array | Float32Array) =>
  `${values.constructor.name} ${Buffer.from(values.buffer, values.byteOffset, values.byteLength).toString('hex')}`;

function wide(intensity: Float64Array): { record: ResultRecord; values: SpectrumValues } {
  const values = { ...SAMPLE_VALUES, intensity };
  const spectrum = { ...SAMPLE_RECORD.spectrum, intensityWidth: 'float64' };
  const record = { ...SAMPLE_RECORD, spectrum: { ...spectrum, sha256: valuesDigest(values) } };
  return { record: record as ResultRecord, values };
}

const sameBits =
  (record: ResultRecord, values: SpectrumValues): Cell =>
  (format) => {
    const read = back(format, record, values);
    if (read === null || read === 'refused' || read.values === null) return 'lost';
    const isSame =
      hex(read.values.axis) === hex(values.axis) &&
      hex(read.values.intensity) === hex(values.intensity);
    return isSame ? 'kept' : 'rounded to float32';
  };

const evenAxis: Cell = (format) => {
  const read = back(format, SAMPLE_RECORD, SAMPLE_VALUES);
  const even = read === null || read === 'refused' ? null : read.values?.even;
  return JSON.stringify(even) === JSON.stringify(SAMPLE_VALUES.even) ? 'kept' : 'lost';
};

const withoutSpectrum: Cell = (format) => {
  const record = { ...SAMPLE_RECORD, spectrum: null };
  const read = back(format, record, null);
  if (read === null) return 'no such form';
  return read !== 'refused' && read.values === null ? 'kept' : 'lost';
};

/** One character of the place that is found last, written another way. */
const changed =
  (find: (format: OpenFormat) => string | Buffer): Cell =>
  (format) => {
    const decoded = { record: SAMPLE_RECORD, values: SAMPLE_VALUES, isExact: true };
    const files = bytesOf(encodeRecord(decoded, format)).map((bytes) => Buffer.from(bytes));
    const part = find(format);
    const bytes = files.find((one) => one.includes(part));
    if (bytes === undefined) throw new Error(`${format} does not hold ${part.toString()}`);
    const at = bytes.lastIndexOf(part) + part.length - 1;
    bytes[at] = (bytes[at] ?? 0) ^ 1;
    return readBack(format, files) === 'refused' ? 'refused' : 'not noticed';
  };

/** 12.5 as each format has it: base64 of float32, big-endian float32, and digits. */
const VALUE: Readonly<Record<OpenFormat, string | Buffer>> = {
  animl: 'AABIQ',
  e1947: Buffer.from('41480000', 'hex').subarray(0, 3),
  jcamp: '12.5',
  csv: ',12.5',
};

const heldMark: Cell = (format) => {
  const encoded = encodeRecord(
    { record: SAMPLE_RECORD, values: SAMPLE_VALUES, isExact: true },
    'animl',
  );
  const file = join(folder, 'x~held.animl');
  writeFileSync(file, bytesOf(encoded)[0] ?? '');
  const [item] = itemsOf(convert(file, format));
  const names = item?.files.map(({ name }) => name) ?? [];
  return item?.held && names.every((name) => name.includes('~held')) ? 'in the name' : 'lost';
};

function convert(file: string, to: OpenFormat): ConvertAnswer {
  const now = instantFromMillis(0);
  const forms = { form: RAW_CSV, readForm: {} };
  const task = { file, from: null, to, ...forms, attach: null, receivedAt: null, now };
  return convertFile(task, { site: null, validateSchema: () => [] });
}

function itemsOf(answer: ConvertAnswer): readonly ConvertedItem[] {
  if (answer.kind !== 'converted') throw new Error(JSON.stringify(answer));
  return answer.items;
}

const ALONE: OpenSpectrum = {
  title: 'foil ü',
  axis: Float64Array.of(1004, 1001.5, 1000.1),
  intensity: Float64Array.of(0.1, 2, 3),
  intensityUnit: 'Counts (raw)',
  notes: [{ name: 'SAMPLE', text: 'tin µ' }],
};

const alone =
  (look: (spectrum: OpenSpectrum) => string): Cell =>
  (format) => {
    const [bytes = Buffer.from('')] = bytesOf(encodeOpenSpectrum(ALONE, format));
    const read = decodeOpenFile(bytes, format);
    if (read.kind !== 'spectra' || read.spectra.length !== 1) return 'lost';
    const [spectrum] = read.spectra;
    return spectrum === undefined ? 'lost' : look(spectrum);
  };

const textKind = (found: string, text: string) => {
  if (found === text) return 'kept';
  return found === text.replace(/[^ -~]/g, '?') ? 'ASCII only' : 'lost';
};

const VERSIONS: Readonly<Record<OpenFormat, string>> = {
  animl: ANIML_WRITER_VERSION,
  e1947: E1947_WRITER_VERSION,
  jcamp: JCAMP_WRITER_VERSION,
  csv: 'none',
};

const narrow = { record: SAMPLE_RECORD, values: SAMPLE_VALUES };
const third = wide(Float64Array.of(1 / 3, 2, 3, 4));

const attachments: Cell = (format) => {
  const attachment = { fileName: 'a.cdf', mediaType: 'b/c', sha256: 'd'.repeat(64) };
  const decoded = { ...narrow, isExact: true, attachments: [attachment] };
  const read = readBack(format, bytesOf(encodeRecord(decoded, format)));
  const found = read === null || read === 'refused' ? undefined : read.attachments;
  return JSON.stringify(found) === JSON.stringify([attachment]) ? 'kept' : 'lost';
};

const ROWS: readonly (readonly [what: string, cell: Cell])[] = [
  [
    'texts of a record, letter for letter',
    sameRecord({ ...SAMPLE_RECORD, lot: ODD, operator: { id: ODD, name: ODD } }),
  ],
  [
    'digits as reported (`0.90`)',
    sameRecord({
      ...SAMPLE_RECORD,
      score: {
        algorithm: 'a',
        value: decimal('0.90000000000000000001'),
        threshold: decimal('0.90'),
      },
    }),
  ],
  ['nothing apart from empty text', sameRecord({ ...SAMPLE_RECORD, lot: '', material: null })],
  [
    'candidates, remarks, findings',
    sameRecord({ ...SAMPLE_RECORD, remarks: [{ name: ODD, text: ODD }], findings: [ODD] }),
  ],
  ['even axis as declared', evenAxis],
  ['spectrum, float32 intensities, bit for bit', sameBits(narrow.record, narrow.values)],
  ['spectrum, float64 intensities, bit for bit', sameBits(third.record, third.values)],
  ['record without a spectrum', withoutSpectrum],
  ['mark of a held result', heldMark],
  ['attachments', attachments],
  ['a changed text of the record', changed(() => 'op-3')],
  ['a changed value of the spectrum', changed((format) => VALUE[format])],
  ['spectrum alone: title', alone(({ title }) => textKind(title, ALONE.title))],
  [
    'spectrum alone: texts beside it',
    alone(({ notes }) => {
      const [note] = ALONE.notes;
      const kinds = notes.map(({ text }) => textKind(text, note?.text ?? ''));
      return kinds.find((kind) => kind !== 'lost') ?? 'lost';
    }),
  ],
  [
    'spectrum alone: unit of intensity',
    alone(({ intensityUnit }) => textKind(intensityUnit, ALONE.intensityUnit)),
  ],
  [
    'spectrum alone: direction of the axis',
    alone(({ axis }) => ((axis[0] ?? 0) > (axis[1] ?? 0) ? 'kept' : 'ascending')),
  ],
  [
    'spectrum alone: float64 values',
    alone(({ axis, intensity }) => {
      const of = axis.indexOf(1004);
      if (!axis.includes(1000.1)) return 'lost';
      return intensity[of] === 0.1 ? 'kept' : 'axis kept, intensities rounded';
    }),
  ],
  ['version of the writer', (format) => VERSIONS[format]],
];

describe('the table of what each format keeps, in docs/formats.md', () => {
  it('says what writing and reading finds', () => {
    const page = readFileSync(join(repositoryRoot(), 'docs', 'formats.md'), 'utf8');
    const found = ROWS.map(([what, cell]) => [what, ...OPEN_FORMATS.map(cell)]);
    // A table that is out of date is shown as it should be, to be pasted.
    const asTable = (rows: readonly (readonly string[])[]) =>
      rows.map((row) => `| ${row.join(' | ')} |`).join('\n');
    expect(asTable(tableRows(page, HEADING))).toBe(asTable(found));
  });
});
