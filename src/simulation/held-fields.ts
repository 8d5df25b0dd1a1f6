import { compareDecimals, isDecimal } from '../formats/decimal.js';
import { parseTimestamp } from '../formats/instant.js';
import { readErpMessage } from './erp-message.js';
import type { MeasuredResult } from './story.js';

/** How a destination's entries are read: by the name of a leaf, wherever in the entry it stands. */
export interface FieldTable {
  readonly resultId: string;
  readonly receipt: string;
  readonly revision: string;
  /** null for a destination that is told of results only. */
  readonly statements: StatementFields | null;
  readonly held: readonly HeldField[];
}

export interface StatementFields {
  readonly outcome: string;
  /** Codes by which the destination shows each last word; `stopped` is that of a stop for contrary
   * results, `suspended` of one for doubts. */
  readonly codes: Readonly<
    Record<
      'conforms' | 'does-not-conform' | 'incomplete' | 'stopped' | 'suspended',
      readonly string[]
    >
  >;
}

export interface HeldField {
  readonly leaf: string;
  /** What the instrument measured, as text. */
  readonly truth: (result: MeasuredResult) => string | null;
  readonly as: 'text' | 'decimal' | 'instant';
}

const LEAVES_MAX = 2000;

/** Leaf values of an entry by name, JSON or the ERP's XML; the first of a name counts. */
export function readLeaves(content: string): ReadonlyMap<string, string> {
  const leaves = new Map<string, string>();
  if (content.trimStart().startsWith('<')) {
    const message = readErpMessage(content);
    if (!('fault' in message)) {
      for (const [name, texts] of message.fields) leaves.set(name, texts[0] ?? '');
    }
    return leaves;
  }
  collect(JSON.parse(content) as unknown, '', leaves);
  return leaves;
}

function collect(value: unknown, name: string, leaves: Map<string, string>): void {
  if (leaves.size > LEAVES_MAX) return;
  if (typeof value === 'object' && value !== null) {
    for (const [key, inner] of Object.entries(value)) {
      collect(inner, Array.isArray(value) ? name : key, leaves);
    }
  } else if (!leaves.has(name)) {
    leaves.set(name, value === null ? '' : String(value));
  }
}

/** Sentences for every held field that is not what was measured; none when all agree. */
export function compareFields(
  leaves: ReadonlyMap<string, string>,
  result: MeasuredResult,
  table: FieldTable,
): string[] {
  return table.held.flatMap((field) => {
    const expected = field.truth(result) ?? '';
    const found = leaves.get(field.leaf) ?? '';
    return agrees(found, expected, field.as)
      ? []
      : [`${field.leaf} of ${result.resultId} is "${found}", measured "${expected}"`];
  });
}

function agrees(found: string, expected: string, as: HeldField['as']): boolean {
  if (found === expected) return true;
  if (as === 'decimal') {
    return isDecimal(found) && isDecimal(expected) && compareDecimals(found, expected) === 0;
  }
  if (as === 'instant') {
    const left = parseTimestamp(found);
    const right = parseTimestamp(expected);
    return left !== null && right !== null && left.instant === right.instant;
  }
  return false;
}
