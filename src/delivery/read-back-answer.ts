import { compareDecimals, type Decimal, isDecimal } from '../formats/decimal.js';
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
  /** Something else is held under our reference: every field that differs, or none where bytes were compared. */
  | {
      readonly kind: 'differs';
      readonly detail: string;
      readonly differences: readonly Difference[];
    }
  /** Equal and received, not applied (yet); or a later revision is, which is not applied (yet) either. */
  | {
      readonly kind: 'received-not-applied';
      /** Where the answer says what is applied. */
      readonly field: Path;
      readonly later: LaterRevision | null;
    }
  /** A later revision is in force there: ours was received and overtaken, if that one is ours (`unlessOurs`). */
  | { readonly kind: 'overtaken'; readonly later: LaterRevision }
  | { readonly kind: 'unavailable'; readonly detail: string };

/** Place in the answer and what was found there. */
export interface Difference {
  readonly field: Path;
  readonly detail: string;
}

/** A revision above the one that was asked about, and where the answer names it. */
export interface LaterRevision {
  readonly field: Path;
  readonly revision: Decimal;
}

/** How one kind of message is read back. */
export interface ReadBackOf extends ReadBack {
  /** Places of the message that name what it is about, whatever it says of it and under which reference. */
  readonly about: ReadonlySet<Path>;
}

/**
 * Reads the answer to a question. 404 means that nothing is held only where the mapping says so: a proxy answers it too
 * while the destination behind it is away. Any other status, and an answer that cannot be read whole, says nothing.
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
            detail: `${result.content.length} other bytes are held under our name`,
            differences: [],
          };
    case 'answered': {
      if (result.status !== 200) return ofStatus(result.status, readBack);
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

/** What a status says by itself. Where it is 404, whoever looks into the doubt is told what to declare. */
function ofStatus(status: number, readBack: ReadBack | null): ReadBackAnswer {
  if (status !== 404) return { kind: 'unavailable', detail: `status ${status}` };
  if (readBack?.absentStatus === status) return { kind: 'absent' };
  const detail =
    'status 404, which something in front of the destination may say too; if it is how the destination says that it holds ' +
    'nothing, set absentStatus: 404 in the readBack of the mapping';
  return { kind: 'unavailable', detail };
}

/** Compares every message held under our reference with what was sent, field by field. */
export function compareHeld(
  items: readonly Tree[],
  sent: Tree,
  readBack: ReadBackOf,
): ReadBackAnswer {
  if (items.length === 0) return { kind: 'absent' };
  const ours: Tree[] = [];
  let inForce: LaterRevision | null = null;
  let waiting: LaterRevision | null = null;
  for (const item of items) {
    const later = laterThanSent(item, sent, readBack);
    if (later === null) ours.push(item);
    else if (applies(item, readBack)) inForce = higher(inForce, later);
    else waiting = higher(waiting, later);
  }
  if (inForce !== null) return { kind: 'overtaken', later: inForce };
  const field = readBack.applied?.held ?? '';
  // What came later and is not applied yet is not in force: ours may still be, or something before it.
  if (ours.length === 0) return { kind: 'received-not-applied', field, later: waiting };
  for (const item of ours) {
    const differences = differencesOf(item, sent, readBack.compare);
    const [first] = differences;
    if (first !== undefined) return { kind: 'differs', detail: first.detail, differences };
  }
  const isApplied = ours.some((item) => applies(item, readBack));
  if (ours.length > 1) return { kind: 'several', count: ours.length, isApplied };
  return isApplied ? { kind: 'one' } : { kind: 'received-not-applied', field, later: null };
}

/**
 * The answer as it counts for us. A later revision overtakes ours only when it is ours too: what nobody here sent is in force
 * there in the place of what was sent.
 *
 * @param highestSent highest revision of ours about the same thing that may have got there
 */
export function unlessOurs(answer: ReadBackAnswer, highestSent: number): ReadBackAnswer {
  if (answer.kind !== 'overtaken' && answer.kind !== 'received-not-applied') return answer;
  const { later } = answer;
  if (later === null || compareDecimals(later.revision, decimalOf(highestSent)) <= 0) return answer;
  const { field, revision } = later;
  const detail = `${field}: revision ${revision} is held, and none of ours above ${highestSent} went there`;
  return { kind: 'differs', detail, differences: [{ field, detail }] };
}

function differencesOf(item: Tree, sent: Tree, compare: ReadBack['compare']): Difference[] {
  return compare.flatMap((field) => {
    const ours = textsAt(sent, field.sent);
    const theirs = textsAt(item, field.held);
    if (ours !== null && theirs !== null && listsAgree(ours, theirs, field.as)) return [];
    const detail = `${field.held}: expected ${shown(ours)}, found ${shown(theirs)}`;
    return [{ field: field.held, detail }];
  });
}

function applies(item: Tree, readBack: ReadBack): boolean {
  if (readBack.applied === null) return true;
  return leafText(valueAt(item, readBack.applied.held)) === readBack.applied.value;
}

/** A later revision about the same thing; one of something else says nothing about ours. */
function laterThanSent(item: Tree, sent: Tree, readBack: ReadBackOf): LaterRevision | null {
  if (readBack.revision === null) return null;
  const { held } = readBack.revision;
  const ours = leafText(valueAt(sent, readBack.revision.sent));
  const theirs = leafText(valueAt(item, held));
  if (ours === null || theirs === null || !isDecimal(ours) || !isDecimal(theirs)) return null;
  if (compareDecimals(theirs, ours) <= 0) return null;
  const named = readBack.compare.filter((field) => readBack.about.has(field.sent));
  const isOfTheSame = named.length > 0 && differencesOf(item, sent, named).length === 0;
  return isOfTheSame ? { field: held, revision: theirs } : null;
}

function decimalOf(revision: number): Decimal {
  const text = String(revision);
  if (!isDecimal(text)) throw new Error(`${text} is no revision`);
  return text;
}

function higher(one: LaterRevision | null, other: LaterRevision): LaterRevision {
  return one !== null && compareDecimals(one.revision, other.revision) >= 0 ? one : other;
}

function shown(values: readonly string[] | null): string {
  if (values === null) return 'no single value';
  if (values.length === 0) return 'nothing';
  return values
    .slice(0, 5)
    .map((value) => `"${value.slice(0, 100)}"`)
    .join(', ');
}
