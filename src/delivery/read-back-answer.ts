import { compareDecimals, isDecimal } from '../formats/decimal.js';
import type { Path, ReadBack } from '../site/mapping-document.js';
import {
  itemsAt,
  leafText,
  type PayloadFormat,
  readTree,
  type Tree,
  textsAt,
  valueAt,
} from './answer-tree.js';
import type { AskResult } from './endpoint.js';
import { listsAgree } from './equivalence.js';

/** What a destination was found to hold when it was asked about one message. */
export type ReadBackAnswer =
  | { readonly kind: 'absent' }
  /** One equal message, received and applied. */
  | { readonly kind: 'one' }
  /** Several messages, all equal. */
  | { readonly kind: 'several'; readonly count: number; readonly isApplied: boolean }
  /** Something else is held under our reference. */
  | { readonly kind: 'differs'; readonly detail: string; readonly field: string | null }
  /** Equal and received, not applied (yet). */
  | { readonly kind: 'received-not-applied' }
  /** A later revision is in force there: ours was received and overtaken. */
  | { readonly kind: 'overtaken' }
  | { readonly kind: 'unavailable'; readonly detail: string };

/** How one kind of message is read back. */
export interface ReadBackOf extends ReadBack {
  /** Places of the message that name what it is about, whatever it says of it and under which reference. */
  readonly about: ReadonlySet<Path>;
}

/**
 * Reads the answer to a question. 404 means that nothing is held under the address; any other status, and
 * an answer that cannot be read whole, says nothing.
 */
export function readAnswer(
  result: AskResult,
  readBack: ReadBackOf | null,
  format: PayloadFormat,
  payload: { readonly bytes: Uint8Array; readonly tree: Tree | null },
): ReadBackAnswer {
  switch (result.kind) {
    case 'absent':
      return { kind: 'absent' };
    case 'unavailable':
      return { kind: 'unavailable', detail: result.detail };
    case 'held':
      return Buffer.compare(result.content, payload.bytes) === 0
        ? { kind: 'one' }
        : {
            kind: 'differs',
            field: null,
            detail: `${result.content.length} other bytes are held under our name`,
          };
    case 'answered': {
      if (result.status === 404) return { kind: 'absent' };
      if (result.status !== 200) return { kind: 'unavailable', detail: `status ${result.status}` };
      if (result.isCut) return { kind: 'unavailable', detail: 'the answer is too long to read' };
      const held = readTree(format, result.body);
      if (!held.ok) return { kind: 'unavailable', detail: `the answer ${held.detail}` };
      const sent = payload.tree;
      if (sent === null || readBack === null) {
        return { kind: 'unavailable', detail: 'nothing to compare the answer with' };
      }
      const items = itemsAt(held.tree, readBack.items, format);
      if (items === null) {
        return { kind: 'unavailable', detail: `the answer has no ${readBack.items}` };
      }
      return compareHeld(items, sent, readBack);
    }
  }
}

/** Compares every message held under our reference with what was sent, field by field. */
export function compareHeld(
  items: readonly Tree[],
  sent: Tree,
  readBack: ReadBackOf,
): ReadBackAnswer {
  if (items.length === 0) return { kind: 'absent' };
  const later = items.filter((item) => isLater(item, sent, readBack));
  if (later.some((item) => applies(item, readBack))) return { kind: 'overtaken' };
  // What came later and is not applied yet is not in force: ours may still be, or something before it.
  const ours = items.filter((item) => !later.includes(item));
  if (ours.length === 0) return { kind: 'received-not-applied' };
  for (const item of ours) {
    const difference = firstDifference(item, sent, readBack);
    if (difference !== null) return { kind: 'differs', ...difference };
  }
  const isApplied = ours.some((item) => applies(item, readBack));
  if (ours.length > 1) return { kind: 'several', count: ours.length, isApplied };
  return isApplied ? { kind: 'one' } : { kind: 'received-not-applied' };
}

/** Place in the answer and what was found there. */
interface Difference {
  readonly field: string;
  readonly detail: string;
}

function firstDifference(item: Tree, sent: Tree, readBack: ReadBack): Difference | null {
  for (const field of readBack.compare) {
    const ours = textsAt(sent, field.sent);
    const theirs = textsAt(item, field.held);
    if (ours !== null && theirs !== null && listsAgree(ours, theirs, field.as)) continue;
    const detail = `${field.held}: expected ${shown(ours)}, found ${shown(theirs)}`;
    return { field: field.held, detail };
  }
  return null;
}

function applies(item: Tree, readBack: ReadBack): boolean {
  if (readBack.applied === null) return true;
  return leafText(valueAt(item, readBack.applied.held)) === readBack.applied.value;
}

/** True for a later revision about the same thing; one of something else says nothing about ours. */
function isLater(item: Tree, sent: Tree, readBack: ReadBackOf): boolean {
  if (readBack.revision === null) return false;
  const ours = leafText(valueAt(sent, readBack.revision.sent));
  const theirs = leafText(valueAt(item, readBack.revision.held));
  if (ours === null || theirs === null || !isDecimal(ours) || !isDecimal(theirs)) return false;
  if (compareDecimals(theirs, ours) <= 0) return false;
  const named = readBack.compare.filter((field) => readBack.about.has(field.sent));
  return named.length > 0 && firstDifference(item, sent, { ...readBack, compare: named }) === null;
}

function shown(values: readonly string[] | null): string {
  if (values === null) return 'no single value';
  if (values.length === 0) return 'nothing';
  return values
    .slice(0, 5)
    .map((value) => `"${value.slice(0, 100)}"`)
    .join(', ');
}
