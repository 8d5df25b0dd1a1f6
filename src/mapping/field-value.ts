import { isDecimal, roundDecimal } from '../formats/decimal.js';
import type { CodeTable, FieldMapping } from '../site/mapping-document.js';
import type { MappingProblemCode } from './mapping-problem.js';
import type { PayloadLeaf } from './payload-tree.js';

export type FieldValue =
  /** undefined: the field is optional and has no value, so it is left out. */
  | { readonly ok: true; readonly value: PayloadLeaf | readonly PayloadLeaf[] | undefined }
  | FieldRefusal;

export interface FieldRefusal {
  readonly ok: false;
  readonly code: MappingProblemCode;
  readonly detail: string;
  readonly remedy: string;
}

const LIST_MAX = 10_000;
const TEXT_MAX = 100_000;
const HALF_PAIR = /[\ud800-\udbff](?![\udc00-\udfff])|(?<![\ud800-\udbff])[\udc00-\udfff]/;

/**
 * Turns what an expression yielded into the leaf (or list of leaves) of one field: rounding on decimal
 * text, code table, length, leaf type, in this order. Nothing is ever cut, defaulted or guessed: whatever
 * does not fit is refused with its reason.
 */
export function fieldValue(field: FieldMapping, table: CodeTable | null, raw: unknown): FieldValue {
  const found = raw === null ? undefined : raw;
  if (field.list === true) return listValue(field, table, found);
  if (Array.isArray(found)) {
    if (found.length === 0) return absent(field);
    return refuse(
      'several-values',
      `the expression yields ${found.length} values, expected one`,
      'Choose one in the expression, or set list: true.',
    );
  }
  if (found === undefined) return absent(field);
  return leaf(field, table, found);
}

function absent(field: FieldMapping): FieldValue {
  if (!field.required) return { ok: true, value: undefined };
  return refuse(
    'required-missing',
    'the subject has no value for this required field',
    'Correct the attribution of the record, or set required: false where the destination allows it.',
  );
}

function listValue(field: FieldMapping, table: CodeTable | null, found: unknown): FieldValue {
  const items = found === undefined ? [] : Array.isArray(found) ? found : [found];
  if (items.length > LIST_MAX) {
    return refuse(
      'several-values',
      `${items.length} values, at most ${LIST_MAX}`,
      'Narrow the list.',
    );
  }
  if (items.length === 0 && field.required) return absent(field);
  const leaves: PayloadLeaf[] = [];
  for (const item of items) {
    const value = leaf(field, table, item);
    if (!value.ok) return value;
    leaves.push(value.value);
  }
  return { ok: true, value: leaves };
}

type Leaf = { readonly ok: true; readonly value: PayloadLeaf } | FieldRefusal;

function leaf(field: FieldMapping, table: CodeTable | null, raw: unknown): Leaf {
  const text = field.identifier ? identifierText(raw) : plainText(raw);
  if (!text.ok) return text;
  let value = text.value;
  if (field.round) {
    if (!isDecimal(value)) {
      return refuse(
        'not-decimal',
        `${quoted(value)} is no plain decimal`,
        'Map it without rounding.',
      );
    }
    value = roundDecimal(value, field.round.places, field.round.rule);
  }
  if (table) {
    const code = Object.hasOwn(table, value) ? table[value] : undefined;
    if (code === undefined) {
      return refuse(
        'table-row-missing',
        `${quoted(value)} has no row in table ${field.table ?? ''}`,
        'Add the row; a table has no default row.',
      );
    }
    value = code;
  }
  const length = [...value].length;
  const longest = field.maxLength ?? TEXT_MAX;
  if (length > longest) {
    return refuse(
      'too-long',
      `${quoted(value)} has ${length} characters, at most ${longest} fit`,
      'A value is never cut: raise maxLength where the destination has room, or correct the source.',
    );
  }
  return typed(field, value);
}

function typed(field: FieldMapping, text: string): Leaf {
  switch (field.as) {
    case 'text':
      return { ok: true, value: text };
    case 'number': {
      const number = Number(text);
      if (isDecimal(text) && JSON.stringify(number) === text) return { ok: true, value: number };
      return refuse(
        'number-not-exact',
        `${quoted(text)} does not come back digit for digit from a JSON number`,
        'Send it as text, or round it to places whose last digit is not 0.',
      );
    }
    case 'boolean':
      if (text === 'true' || text === 'false') return { ok: true, value: text === 'true' };
      return refuse(
        'not-boolean',
        `${quoted(text)} is neither true nor false`,
        'Map it by a table.',
      );
  }
}

type Text = { readonly ok: true; readonly value: string } | FieldRefusal;

/** Identifiers go through exactly as they stand: text, or a counting number in plain digits. */
function identifierText(raw: unknown): Text {
  if (typeof raw === 'number' && Number.isSafeInteger(raw) && raw >= 0) {
    return { ok: true, value: String(raw) };
  }
  if (typeof raw === 'string' && raw !== '' && !HALF_PAIR.test(raw))
    return { ok: true, value: raw };
  return refuse(
    'identifier-altered',
    `${quoted(raw)} cannot be sent as an identifier exactly as it stands`,
    'An identifier is text that is not empty, or a whole number.',
  );
}

function plainText(raw: unknown): Text {
  if (typeof raw === 'boolean') return { ok: true, value: String(raw) };
  if (typeof raw === 'number') {
    const text = String(raw);
    if (isDecimal(text)) return { ok: true, value: text };
    return refuse(
      'not-decimal',
      `the number ${text} has no plain decimal form`,
      'Round it in the mapping.',
    );
  }
  if (typeof raw !== 'string') {
    return refuse(
      'not-a-leaf',
      `the expression yields ${kindOf(raw)}, expected text`,
      'Name a member of it.',
    );
  }
  if (HALF_PAIR.test(raw)) {
    return refuse('lossy-character', 'the text holds half a surrogate pair', 'Correct the source.');
  }
  return { ok: true, value: raw };
}

function kindOf(raw: unknown): string {
  return Array.isArray(raw)
    ? 'a list in a list'
    : typeof raw === 'object'
      ? 'an object'
      : typeof raw;
}

function quoted(value: unknown): string {
  const text = JSON.stringify(value) ?? 'nothing';
  return text.length > 80 ? `${text.slice(0, 77)}…` : text;
}

function refuse(code: MappingProblemCode, detail: string, remedy: string): FieldRefusal {
  return { ok: false, code, detail, remedy };
}
