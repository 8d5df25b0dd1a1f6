import type { Candidate } from '../intake/result-bundle.js';
import {
  fieldValue,
  NULLABLE_GROUPS,
  OMITTED_WHEN_ABSENT,
  RECORD_FIELDS,
  type RecordField,
} from './record-fields.js';
import type { ResultRecord } from './result-record.js';

/** The parts of a record that are lists, read by whoever reads the rest. */
export interface RecordLists {
  readonly candidates: readonly Candidate[];
  readonly remarks: readonly { readonly name: string; readonly text: string }[];
  readonly findings: readonly string[];
}

export interface FieldFault {
  /** Path of the field in the record. */
  readonly at: string;
  /** Found against expected. */
  readonly message: string;
}

export type Assembled =
  | { readonly ok: true; readonly record: ResultRecord }
  | { readonly ok: false; readonly faults: readonly FieldFault[] };

/**
 * Puts a record together from the texts of its fields, absent ones left out of `texts`. Every required
 * field must be there, every value of its kind and vocabulary.
 */
export function assembleRecord(texts: ReadonlyMap<string, string>, lists: RecordLists): Assembled {
  const members = new Map<string, unknown>();
  const groups = new Map<string, Map<string, unknown>>();
  const faults: FieldFault[] = halves(texts, lists);
  for (const field of RECORD_FIELDS) {
    const value = readField(field, texts, faults);
    const [group, name] = splitPath(field.at);
    if (group === null) {
      members.set(name, value);
    } else if (value !== null || !OMITTED_WHEN_ABSENT.includes(group)) {
      groupOf(groups, group).set(name, value);
    } else {
      groupOf(groups, group);
    }
  }
  if (faults.length > 0) return { ok: false, faults };
  for (const [name, group] of groups) {
    members.set(name, isAbsent(name, texts) ? null : Object.fromEntries(group));
  }
  // Every field was checked against the table above, which covers the type member by member.
  const record = { ...Object.fromEntries(members), ...lists } as unknown as ResultRecord;
  return { ok: true, record };
}

const HALF = /\p{Cs}/u;

/** No bundle holds half a surrogate pair (RFC 7493), and no text with one has a digest. */
function halves(texts: ReadonlyMap<string, string>, lists: RecordLists): FieldFault[] {
  const { candidates, remarks, findings } = lists;
  const listed = [
    ...candidates.map(({ material }) => ['candidates', material] as const),
    ...remarks.flatMap(({ name, text }) => [name, text].map((one) => ['remarks', one] as const)),
    ...findings.map((code) => ['findings', code] as const),
  ];
  return [...texts, ...listed]
    .filter(([, text]) => HALF.test(text))
    .map(([at, text]) => {
      const found = JSON.stringify(text.slice(0, 80));
      return { at, message: `expected a text, found half a surrogate pair in ${found}` };
    });
}

function readField(
  field: RecordField,
  texts: ReadonlyMap<string, string>,
  faults: FieldFault[],
): string | number | boolean | null {
  const text = texts.get(field.at);
  if (text === undefined) {
    const [group] = splitPath(field.at);
    if (field.required && !(group !== null && isAbsent(group, texts))) {
      faults.push({ at: field.at, message: 'expected a value, found none' });
    }
    return null;
  }
  const read = fieldValue(field, text);
  if (read.ok) return read.value;
  faults.push({
    at: field.at,
    message: `expected ${read.expected}, found ${JSON.stringify(text.slice(0, 80))}`,
  });
  return null;
}

/** True for a group that may be null and of which no field is there. */
function isAbsent(group: string, texts: ReadonlyMap<string, string>): boolean {
  if (!NULLABLE_GROUPS.includes(group)) return false;
  return !RECORD_FIELDS.some((field) => field.at.startsWith(`${group}.`) && texts.has(field.at));
}

function splitPath(at: string): readonly [string | null, string] {
  const dot = at.indexOf('.');
  return dot === -1 ? [null, at] : [at.slice(0, dot), at.slice(dot + 1)];
}

function groupOf(groups: Map<string, Map<string, unknown>>, name: string): Map<string, unknown> {
  const held = groups.get(name);
  if (held !== undefined) return held;
  const made = new Map<string, unknown>();
  groups.set(name, made);
  return made;
}
