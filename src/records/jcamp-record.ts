import type { SpectrumValues } from '../checks/spectrum-values.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import { isDecimal } from '../formats/decimal.js';
import { parseTimestamp } from '../formats/instant.js';
import type { JcampBlock } from '../formats/jcamp.js';
import { readJcamp } from '../formats/jcamp-reader.js';
import {
  type AgreeingData,
  agreeingData,
  normalLabel,
  openFault,
  RAMAN,
} from '../formats/jcamp-spectra.js';
import { type JcampPairs, type JcampTable, writeJcamp } from '../formats/jcamp-writer.js';
import type { OpenFault, OpenSpectrum } from '../formats/open-spectrum.js';
import { recordOfTexts, textsOfRecord } from './record-texts.js';
import { valuesOfRecord } from './record-values.js';
import type { ResultRecord } from './result-record.js';

/** Changes whenever the text written for one record changes; stored beside the artefact's digest. */
export const JCAMP_WRITER_VERSION = '1.0';

/** Labels of the record's own texts: `##$RECORD RESULT ID=` and so on. */
const PRIVATE = '$RECORD ';

/**
 * Writes a record with its spectrum as JCAMP-DX 4.24. Every value is exact: an even axis whose points come out
 * the same from its ends is a table, in difference form when the ordinates are whole numbers, any other a list of
 * pairs with every digit. The standard's labels hold texts made to fit ASCII; the record itself stands, letter
 * for letter, in private records, with its digest.
 *
 * @throws RangeError when the values do not belong to the record
 */
export function writeJcampRecord(record: ResultRecord, values: SpectrumValues): string {
  const points = values.axis.length;
  if (record.spectrum?.points !== points || values.intensity.length !== points) {
    throw new RangeError(
      `the record says ${record.spectrum?.points} points, the values are ${points}`,
    );
  }
  const title = `Raman identity test ${record.resultId}`;
  const records = [...standardRecords(record), ...privateRecords(record, values)];
  return writeJcamp(title, [{ title, records, data: jcampData(values.axis, values.intensity) }]);
}

/** Points as a table where an even axis comes out bit for bit, else as pairs. */
export function jcampData(
  axis: ArrayLike<number>,
  intensity: ArrayLike<number>,
): JcampTable | JcampPairs {
  const points = axis.length;
  const firstX = axis[0] ?? 0;
  const lastX = axis[points - 1] ?? 0;
  for (let i = 0; i < points; i++) {
    if (Object.is(axis[i], firstX + (i * (lastX - firstX)) / (points - 1 || 1))) continue;
    return { kind: 'pairs', x: axis, y: intensity };
  }
  const isWhole = Array.prototype.every.call(
    intensity,
    (v: number) => Number.isInteger(v) && Math.abs(v) < WHOLE_MAX && !Object.is(v, -0),
  );
  const form = isWhole ? 'dif-dup' : 'affn';
  return { kind: 'table', firstX, lastX, stored: intensity, yFactor: 1, form };
}

/** Differences of two such numbers still fit 32 bits. */
const WHOLE_MAX = 1_000_000_000;

function standardRecords(record: ResultRecord): readonly (readonly [string, string])[] {
  const { instrument, acquisition, method, operator, container, material, lot } = record;
  const measured = parseTimestamp(record.measuredAt.reported);
  const settings = [
    `LASER WAVELENGTH= ${instrument.laserWavelengthNm} nm`,
    acquisition.integrationTimeMs && `INTEGRATION TIME= ${acquisition.integrationTimeMs} ms`,
    acquisition.laserPowerMw && `LASER POWER= ${acquisition.laserPowerMw} mW`,
  ].filter((text) => typeof text === 'string');
  return [
    ['DATA TYPE', RAMAN],
    ['ORIGIN', record.site],
    ['OWNER', record.site],
    ...(measured === null ? [] : [longDate(record.measuredAt.reported)]),
    [
      'SAMPLE DESCRIPTION',
      [container?.scanned, material, lot].filter(Boolean).join(', ') || 'unlabelled',
    ],
    ['SPECTROMETER/DATA SYSTEM', `${instrument.model} ${instrument.serial}`],
    ['INSTRUMENT PARAMETERS', settings.join('; ')],
    ['SAMPLING PROCEDURE', `${method.id} ${method.version}, operator ${operator.id}`],
    ['XUNITS', '1/CM'],
    ['YUNITS', UNIT_WORDS[record.spectrum?.intensityUnit ?? ''] ?? 'ARBITRARY UNITS'],
  ];
}

const UNIT_WORDS: Readonly<Record<string, string>> = {
  counts: 'COUNTS',
  'counts-per-second': 'COUNTS PER SECOND',
};

/** `YYYY/MM/DD HH:MM:SS.SSSS ±hhmm`, digits of the fraction as reported. */
function longDate(reported: string): readonly [string, string] {
  const [date = '', time = ''] = reported.split('T');
  const clock = time.slice(0, 8) + (/\.\d+/.exec(time)?.[0] ?? '');
  const zone = time.endsWith('Z') ? '+0000' : time.slice(-6).replace(':', '');
  return ['LONGDATE', `${date.replaceAll('-', '/')} ${clock} ${zone}`];
}

function privateRecords(
  record: ResultRecord,
  { even }: SpectrumValues,
): readonly (readonly [string, string])[] {
  const texts = textsOfRecord(record).flatMap(({ name, text }) =>
    text === null ? [] : [[labelOf(name), exactText(text)] as const],
  );
  return [
    ...texts,
    ...(even === null
      ? []
      : [[labelOf('axis_start'), even.start] as const, [labelOf('axis_step'), even.step] as const]),
    [labelOf('sha256'), canonicalDigest(record)],
  ];
}

function labelOf(name: string): string {
  return `${PRIVATE}${name.replaceAll('_', ' ').toUpperCase()}`;
}

/**
 * The text as it stands where a line holds it unharmed. Any other as its JSON string in which everything but
 * plain letters is escaped: it may then be broken anywhere, and the line breaks be taken out again.
 */
function exactText(text: string): string {
  const isUnbroken = text.length <= UNBROKEN_MAX || !text.includes(' ');
  if (isUnbroken && PLAIN.test(text)) return text;
  const quoted = JSON.stringify(text).replace(
    /[^!-~]|[$#]/g,
    (c) => `\\u${c.charCodeAt(0).toString(16).padStart(4, '0')}`,
  );
  return ESCAPED + quoted;
}

const PLAIN = /^(?!text:)(?!.*(?:\$\$|##))[!-~]+(?: [!-~]+)*$/;
/** No longer text with blanks is written as it stands: it would be broken at one, and read without it. */
const UNBROKEN_MAX = 32;
const ESCAPED = 'text:';

function readExact(value: string): string | null {
  const whole = value.replace(/\n/g, '');
  if (!whole.startsWith(ESCAPED)) return whole;
  try {
    const text: unknown = JSON.parse(whole.slice(ESCAPED.length));
    return typeof text === 'string' ? text : null;
  } catch {
    // Not a JSON string: the caller names the record.
    return null;
  }
}

/** True for a block that says it holds a record of ours. */
export function isJcampRecord(block: JcampBlock): boolean {
  const labels = [labelOf('sha256'), labelOf('schema')].map(normalLabel);
  return block.records.some(({ label }) => labels.includes(label));
}

export interface JcampContent {
  readonly record: ResultRecord;
  readonly values: SpectrumValues;
}

export type JcampRecordRead =
  | { readonly ok: true; readonly content: JcampContent }
  | { readonly ok: false; readonly faults: readonly OpenFault[] };

/**
 * Reads a file that `writeJcampRecord` wrote: the same record and the same values, both verified by their
 * digests. Refused, as a value with the line: what `readJcamp` refuses, a deviation, a record text that is
 * missing or outside its vocabulary, another digest.
 */
export function readJcampRecord(bytes: Uint8Array): JcampRecordRead {
  const read = readJcamp(bytes);
  if (!read.ok) return { ok: false, faults: [openFault(read.fault)] };
  const { block } = read;
  const at = (name: string) => {
    const label = normalLabel(labelOf(name));
    return block.records.find((one) => one.label === label) ?? null;
  };
  const put = recordOfTexts((name) => {
    const found = at(name);
    return found === null ? null : (readExact(found.value) ?? '');
  });
  if (!put.ok) {
    const faults = put.faults.map(({ name, message }) => {
      return {
        at: `line ${at(name)?.line ?? block.line}`,
        message: `${labelOf(name)}: ${message}`,
      };
    });
    return { ok: false, faults };
  }
  const { record } = put;
  const digest = canonicalDigest(record);
  const declared = readExact(at('sha256')?.value ?? 'none');
  if (declared !== digest)
    return refused(block, `expected a record with SHA-256 ${declared}, found ${digest}`);
  const data = agreeingData(block);
  if ('message' in data) return { ok: false, faults: [data] };
  return withValues(block, record, data, (name) => at(name)?.value ?? null);
}

function withValues(
  block: JcampBlock,
  record: ResultRecord,
  { x: axis, y: intensity }: AgreeingData,
  text: (name: string) => string | null,
): JcampRecordRead {
  const summary = record.spectrum;
  if (summary === null) return refused(block, 'expected a record with a spectrum');
  const start = text('axis_start');
  const step = text('axis_step');
  const even =
    start !== null && step !== null && isDecimal(start) && isDecimal(step) ? { start, step } : null;
  const read = valuesOfRecord(summary, axis, intensity, even);
  if (!read.ok) return refused(block, read.message);
  return { ok: true, content: { record, values: read.values } };
}

/** A spectrum as JCAMP-DX, with what stood beside it as private records. */
export function writeOpenJcamp(spectra: readonly OpenSpectrum[]): string {
  return writeJcamp(
    spectra[0]?.title ?? '',
    spectra.map(({ title, axis, intensity, intensityUnit, notes }) => ({
      title,
      records: [
        ['DATA TYPE', RAMAN],
        ['ORIGIN', ''],
        ['OWNER', ''],
        ['XUNITS', '1/CM'],
        ['YUNITS', intensityUnit],
        ...notes.map(({ name, text }) => [noteLabel(name), text] as const),
      ],
      data: jcampData(axis, intensity),
    })),
  );
}

/** A private label: one `$` in front and none behind it, which would begin a comment; on one line. */
function noteLabel(name: string): string {
  const plain = name.replace(/[$=#]|[^ -~]/gu, ' ').replace(/ +/g, ' ');
  return `$${plain.trim().slice(0, LABEL_MAX).trim()}`;
}

const LABEL_MAX = 60;

function refused(block: JcampBlock, message: string): JcampRecordRead {
  return { ok: false, faults: [{ at: `line ${block.line}`, message }] };
}
