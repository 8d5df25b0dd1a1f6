import { canonicalJson } from '../formats/canonical-json.js';
import { isDecimal } from '../formats/decimal.js';
import { scanJson } from '../formats/json-scan.js';
import { assembleRecord, type RecordLists } from './assemble-record.js';
import { heldText, holdCellText } from './held-text.js';
import { fieldReader, RECORD_FIELDS } from './record-fields.js';
import type { ResultRecord } from './result-record.js';

/**
 * A record as texts with names, for formats that hold named texts and nothing deeper: every single-valued
 * field by its path (`measuredAt.utc` is `measured_at_utc`), then the three lists, each as one JSON text
 * (RFC 8785). docs/formats.md explains them; units are in the names.
 */
export const TEXT_NAMES: readonly string[] = [
  ...RECORD_FIELDS.map((field) => nameOf(field.at)),
  'candidates',
  'remarks',
  'findings',
];

/** The names whose texts are decimals: formats with another decimal mark write these with it. */
export const DECIMAL_NAMES: ReadonlySet<string> = new Set(
  RECORD_FIELDS.filter(({ kind }) => kind === 'decimal').map(({ at }) => nameOf(at)),
);

export interface NamedText {
  readonly name: string;
  /** In the form of `held-text.ts`; null when the field is absent. */
  readonly text: string | null;
}

/** In the order of `TEXT_NAMES`. */
export function textsOfRecord(record: ResultRecord): readonly NamedText[] {
  const fields = READERS.map(({ name, read }) => {
    const text = read(record);
    return { name, text: text === null ? null : holdCellText(text) };
  });
  return [
    ...fields,
    { name: 'candidates', text: canonicalJson(record.candidates) },
    { name: 'remarks', text: canonicalJson(record.remarks) },
    { name: 'findings', text: canonicalJson(record.findings) },
  ];
}

export interface TextFault {
  /** One of `TEXT_NAMES`. */
  readonly name: string;
  /** Found against expected. */
  readonly message: string;
}

export type RecordOfTexts =
  | { readonly ok: true; readonly record: ResultRecord }
  | { readonly ok: false; readonly faults: readonly TextFault[] };

/**
 * Puts a record together again.
 *
 * @param held the text of a name as it was written; null when the field is absent
 */
export function recordOfTexts(held: (name: string) => string | null): RecordOfTexts {
  const faults: TextFault[] = [];
  const texts = new Map<string, string>();
  for (const { at } of RECORD_FIELDS) {
    const name = nameOf(at);
    const written = held(name);
    if (written === null) continue;
    const text = heldText(written);
    if (text === null) faults.push({ name, message: 'expected a JSON string after json:' });
    else texts.set(at, text);
  }
  const lists = readLists(held, faults);
  const assembled = assembleRecord(texts, lists);
  if (!assembled.ok) {
    faults.push(...assembled.faults.map(({ at, message }) => ({ name: nameOf(at), message })));
    return { ok: false, faults };
  }
  return faults.length > 0 ? { ok: false, faults } : { ok: true, record: assembled.record };
}

const READERS = RECORD_FIELDS.map(({ at }) => ({ name: nameOf(at), read: fieldReader(at) }));

function nameOf(at: string): string {
  return at.replace('.', '_').replace(/[A-Z]/g, (capital) => `_${capital.toLowerCase()}`);
}

function readLists(held: (name: string) => string | null, faults: TextFault[]): RecordLists {
  const list = <T>(name: string, isItem: (item: unknown) => item is T): readonly T[] => {
    const items = parsedJson(held(name) ?? '');
    if (Array.isArray(items) && items.every(isItem)) return items;
    faults.push({ name, message: 'expected a JSON list of the items of this column' });
    return [];
  };
  return {
    candidates: list('candidates', isCandidate),
    remarks: list('remarks', isRemark),
    findings: list('findings', (item): item is string => typeof item === 'string'),
  };
}

/** A list, an item, its texts. */
const LIST_DEPTH = 2;

function parsedJson(text: string): unknown {
  // JSON.parse would keep the last of two equal keys without a word.
  if (scanJson(text, LIST_DEPTH) !== null) return null;
  try {
    return JSON.parse(text);
  } catch {
    // Not JSON: no list, which the caller reports with its name.
    return null;
  }
}

function isCandidate(item: unknown): item is RecordLists['candidates'][number] {
  if (!hasTexts(item, ['material', 'score'])) return false;
  return isDecimal(item['score'] ?? '');
}

function isRemark(item: unknown): item is RecordLists['remarks'][number] {
  return hasTexts(item, ['name', 'text']);
}

function hasTexts(item: unknown, names: readonly string[]): item is Record<string, string> {
  if (typeof item !== 'object' || item === null) return false;
  const members = Object.entries(item);
  return (
    members.length === names.length &&
    members.every(([name, value]) => names.includes(name) && typeof value === 'string')
  );
}
