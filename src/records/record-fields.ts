import { type Decimal, isDecimal } from '../formats/decimal.js';
import { parseTimestamp } from '../formats/instant.js';
import { DECISIONS, ENVIRONMENTS } from '../site/vocabulary.js';
import { RECORD_SCHEMA, RECORD_VERSION, type ResultRecord } from './result-record.js';

export type FieldKind = 'text' | 'decimal' | 'integer' | 'boolean' | 'timestamp' | 'sha256';

/**
 * One single-valued field of the record. AnIML parameters and CSV columns are both made from this list,
 * so neither can leave a field out. The lists (candidates, remarks, findings) are written by themselves.
 */
export interface RecordField {
  /** Path in the record, `group.field` or `field`. */
  readonly at: string;
  readonly kind: FieldKind;
  /** Must be there whenever its group is; a field that is not required is null or left out when absent. */
  readonly required: boolean;
  readonly oneOf?: readonly string[];
}

/** Groups that are null as a whole when nothing was reported. */
export const NULLABLE_GROUPS: readonly string[] = [
  'receipt',
  'container',
  'score',
  'spectrum',
  'supersedes',
];

/** Fields that are left out of their group when absent, instead of being null. */
export const OMITTED_WHEN_ABSENT: readonly string[] = ['acquisition'];

const ENTRY = ['scanned', 'typed', 'chosen', 'carried-over'];
const WIDTHS = ['float32', 'float64'];
const UNITS = ['counts', 'counts-per-second', 'arbitrary'];

export const RECORD_FIELDS: readonly RecordField[] = [
  required('schema', 'text', [RECORD_SCHEMA]),
  required('version', 'text', [RECORD_VERSION]),
  required('site', 'text'),
  required('resultId', 'text'),
  required('revision', 'integer'),
  required('environment', 'text', ENVIRONMENTS),
  required('origin', 'text', ['instrument', 'packed', 'simulated']),
  required('bundle.bundleId', 'text'),
  required('bundle.sha256', 'sha256'),
  required('bundle.receivedAt', 'timestamp'),
  required('bundle.pointer', 'text'),
  required('bundle.syncPc', 'text'),
  required('instrument.serial', 'text'),
  required('instrument.model', 'text'),
  required('instrument.firmware', 'text'),
  required('instrument.laserWavelengthNm', 'decimal'),
  required('run.epoch', 'integer'),
  required('run.number', 'integer'),
  required('mode', 'text', ['verification', 'identification']),
  required('receipt.scanned', 'text'),
  required('receipt.entry', 'text', ENTRY),
  required('container.scanned', 'text'),
  required('container.entry', 'text', ENTRY),
  optional('material', 'text'),
  optional('lot', 'text'),
  required('method.id', 'text'),
  required('method.version', 'text'),
  optional('method.digest', 'text'),
  required('operator.id', 'text'),
  optional('operator.name', 'text'),
  required('measuredAt.reported', 'timestamp'),
  required('measuredAt.utc', 'timestamp'),
  required('measuredAt.source', 'text', ['instrument', 'sync-pc', 'assumed']),
  required('measuredAt.zone', 'text'),
  required('place', 'text', ['dock', 'receiving', 'dispensary', 'laboratory']),
  required('presentation.kind', 'text', [
    'direct',
    'through-packaging',
    'closed-chamber',
    'immersion-probe',
    'other',
  ]),
  optional('presentation.between', 'text'),
  optional('presentation.probeCover', 'text'),
  optional('acquisition.integrationTimeMs', 'decimal'),
  optional('acquisition.accumulations', 'integer'),
  optional('acquisition.laserPowerMw', 'decimal'),
  optional('acquisition.backgroundSubtracted', 'boolean'),
  required('decision', 'text', DECISIONS),
  required('score.algorithm', 'text'),
  required('score.value', 'decimal'),
  optional('score.threshold', 'decimal'),
  required('recheck.answer', 'text', ['agrees', 'disagrees', 'not-recomputable']),
  optional('recheck.score', 'decimal'),
  required('recheck.reason', 'text'),
  required('spectrum.points', 'integer'),
  required('spectrum.axisWidth', 'text', [...WIDTHS, 'even']),
  required('spectrum.intensityWidth', 'text', WIDTHS),
  required('spectrum.axisFirst', 'text'),
  required('spectrum.axisLast', 'text'),
  required('spectrum.intensityUnit', 'text', UNITS),
  required('spectrum.sha256', 'sha256'),
  required('supersedes.resultId', 'text'),
  required('supersedes.reason', 'text'),
];

/** Reads one field of any record as text, digits as reported; null when it is absent. */
export type FieldReader = (record: ResultRecord) => string | null;

/** The reader of the field at that path; made once for each field, used for every record. */
export function fieldReader(at: string): FieldReader {
  const dot = at.indexOf('.');
  if (dot === -1) return (record) => valueText(membersOf(record)[at]);
  const group = at.slice(0, dot);
  const name = at.slice(dot + 1);
  return (record) => {
    const members = membersOf(record)[group] as Readonly<Record<string, unknown>> | null;
    return members === null ? null : valueText(members[name]);
  };
}

function membersOf(record: ResultRecord): Readonly<Record<string, unknown>> {
  return record as unknown as Readonly<Record<string, unknown>>;
}

function valueText(value: unknown): string | null {
  if (typeof value === 'string') return value;
  return value === null || value === undefined ? null : String(value);
}

export type FieldValue =
  | { readonly ok: true; readonly value: string | number | boolean }
  | { readonly ok: false; readonly expected: string };

/** Reads a field's text back into its value. */
export function fieldValue(field: RecordField, text: string): FieldValue {
  if (field.oneOf !== undefined && !field.oneOf.includes(text)) {
    return { ok: false, expected: `one of ${field.oneOf.join(', ')}` };
  }
  switch (field.kind) {
    case 'text':
      return { ok: true, value: text };
    case 'decimal':
      return isDecimal(text)
        ? { ok: true, value: text satisfies Decimal }
        : { ok: false, expected: 'a plain decimal number' };
    case 'integer':
      return integerValue(text);
    case 'boolean':
      return text === 'true' || text === 'false'
        ? { ok: true, value: text === 'true' }
        : { ok: false, expected: 'true or false' };
    case 'timestamp':
      return parseTimestamp(text) === null
        ? { ok: false, expected: 'an RFC 3339 date and time with offset' }
        : { ok: true, value: text };
    case 'sha256':
      return /^[0-9a-f]{64}$/.test(text)
        ? { ok: true, value: text }
        : { ok: false, expected: '64 lower-case hex digits' };
  }
}

function integerValue(text: string): FieldValue {
  const value = /^-?(?:0|[1-9]\d{0,15})$/.test(text) ? Number(text) : Number.NaN;
  return Number.isSafeInteger(value) && String(value) === text
    ? { ok: true, value }
    : { ok: false, expected: 'a whole number' };
}

function required(at: string, kind: FieldKind, oneOf?: readonly string[]): RecordField {
  return { at, kind, required: true, ...(oneOf === undefined ? {} : { oneOf }) };
}

function optional(at: string, kind: FieldKind): RecordField {
  return { at, kind, required: false };
}
