import { itemsAt, leafText, readTree, type Tree, valueAt } from '../delivery/answer-tree.js';
import type { AskResult } from '../delivery/endpoint.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import { placeholders } from '../mapping/request-path.js';
import type { HeldList, MappingDocument, Path } from '../site/mapping-document.js';
import { MESSAGE_NAMES } from '../site/mapping-document.js';
import type { SubjectKind } from '../storage/tables.js';

/** One message that a destination holds, as its list shows it. */
export interface HeldItem {
  /** In the form of a read-back's item, so that the same fields are compared. */
  readonly tree: Tree;
  /** Its own number there, else its reference, else a digest of it: names it from one list to the next. */
  readonly identity: string;
  readonly reference: string | null;
  /** The destination's own number, where it has one besides our reference. */
  readonly number: string | null;
  readonly at: Instant | null;
  readonly message: SubjectKind | null;
  readonly receiptId: string | null;
  /** result and withdrawal: result id; statement and stop: receipt id; period: period id. */
  readonly subject: string | null;
  readonly revision: number | null;
}

export type HeldPage =
  /** `next` is '' after the last page. */
  | { readonly ok: true; readonly items: readonly HeldItem[]; readonly next: string }
  | { readonly ok: false; readonly detail: string };

/** A destination that does not keep to the page size is read up to here, and no further. */
const ITEMS_MAX = 1_000;
const CURSOR_MAX = 1_000;
/** Longer than anything of ours, see `textAt`. */
const TEXT_MAX = 500;
/**
 * Revisions count up from 1 by one. A number far above is something else, an instant for instance: statements would be
 * numbered above it, and behind 2^31 PostgreSQL keeps no revision, so that no stop could be stated any more.
 */
const REVISION_MAX = 1_000_000_000;

/** Reads one page of a list. Anything but a whole document with status 200 says nothing. */
export function readHeldPage(
  result: AskResult,
  list: HeldList,
  format: MappingDocument['format'],
  cursor: string,
): HeldPage {
  if (result.kind !== 'answered') {
    return no(result.kind === 'unavailable' ? result.detail : 'the destination cannot be listed');
  }
  if (result.status !== 200) return no(`status ${result.status}`);
  if (result.isCut) return no('the page is too long to read');
  const read = readTree(format, result.body);
  if (!read.ok) return no(`the page ${read.detail}`);
  const { tree } = read;
  const items = itemsAt(tree, list.items, format);
  if (items === null) return no(`the page has no ${list.items}`);
  if (items.length > ITEMS_MAX) {
    return no(`${items.length} items in one page, at most ${ITEMS_MAX}`);
  }
  if (isFullWithoutEnd(items.length, list)) {
    return no(
      `the page is full with ${items.length} items, and the mapping has no next that leads beyond it`,
    );
  }
  const next = cursorAt(tree, list.next);
  if (next === null) return no('the cursor of the next page is no single text');
  if (next.length > CURSOR_MAX) {
    return no(
      `the cursor of the next page has ${next.length} characters, at most ${CURSOR_MAX} can be kept`,
    );
  }
  if (next !== '' && next === cursor) return no(`the page after ${cursor} is itself`);
  return { ok: true, items: items.map((item) => heldItem(item, list)), next };
}

/** It was asked for so many items and shows as many: there may be others, to which nothing leads. */
function isFullWithoutEnd(items: number, { request, next, pageSize }: HeldList): boolean {
  return next === null && items >= pageSize && placeholders(request.path).includes('limit');
}

function no(detail: string): HeldPage {
  return { ok: false, detail };
}

function heldItem(tree: Tree, list: HeldList): HeldItem {
  const reference = textAt(tree, list.reference);
  const message = messageOf(tree, list);
  const receiptId = textAt(tree, list.receipt);
  const revision = Number(textAt(tree, list.revision) ?? Number.NaN);
  const at = textAt(tree, list.at);
  const number = textAt(tree, list.number);
  return {
    tree,
    identity: number ?? reference ?? canonicalDigest(tree),
    reference,
    number: number === reference ? null : number,
    at: at === null ? null : (parseTimestamp(at)?.instant ?? null),
    message,
    receiptId,
    subject: subjectOf(tree, list, message),
    revision:
      Number.isInteger(revision) && revision >= 0 && revision <= REVISION_MAX ? revision : null,
  };
}

function subjectOf(tree: Tree, list: HeldList, message: SubjectKind | null): string | null {
  switch (message) {
    case 'statement':
    case 'stop':
      return textAt(tree, list.receipt);
    case 'period':
      return textAt(tree, list.period);
    default:
      return textAt(tree, list.result);
  }
}

function messageOf(tree: Tree, { message }: HeldList): SubjectKind | null {
  if (message === null) return null;
  const code = textAt(tree, message.held);
  return MESSAGE_NAMES.find((name) => code !== null && message.codes[name] === code) ?? null;
}

/**
 * The cursor of the next page, however long; '' where the last page says that none follows. Null for what is no single text:
 * taken for the end, it would hide every message behind it.
 */
function cursorAt(tree: Tree, path: Path | null): string | null {
  const value = path === null ? undefined : valueAt(tree, path);
  return value === undefined || value === null ? '' : leafText(value);
}

/** A text at a place; null when there is none, or nothing that could be one of ours. */
function textAt(tree: Tree, path: Path | null): string | null {
  if (path === null) return null;
  const text = leafText(valueAt(tree, path));
  return text === null || text === '' || text.length > TEXT_MAX ? null : text;
}
