import { parseJsonDigits } from '../formats/json-texts.js';
import { parseXmlTree } from '../formats/xml-tree.js';
import type { Path } from '../site/mapping-document.js';

/** A payload or an answer as a tree of objects, arrays and leaves; every leaf has a text form. */
export type Tree = unknown;

export type PayloadFormat = 'json' | 'xml';

export type ReadTree =
  | { readonly ok: true; readonly tree: Tree }
  /** Says which rule is broken and where, in no word of the document: it may echo a secret of ours. */
  | { readonly ok: false; readonly detail: string };

/** As deep as XML is read. */
const DEPTH_MAX = 64;

/**
 * Reads bytes that should be JSON or XML; the content type is never asked. JSON is read strictly: of a name that stands
 * twice in one object a reader may take either value (RFC 8259 §4), so the document says neither. A whole number that
 * a double does not show digit for digit becomes text: an identifier may be written so.
 */
export function readTree(format: PayloadFormat, bytes: Uint8Array): ReadTree {
  if (format === 'xml') {
    const read = parseXmlTree(bytes);
    return read.ok ? read : { ok: false, detail: 'cannot be read as xml' };
  }
  const text = withoutByteOrderMark(bytes);
  const read = parseJsonDigits(text, { bytesMax: text.length, depthMax: DEPTH_MAX });
  if (read.ok) return { ok: true, tree: read.value };
  const { rule, place } = read.fault;
  const at = `${rule}, line ${place.line}, byte ${place.byteOffset}`;
  return { ok: false, detail: `cannot be read as json (${at})` };
}

/** A reader may ignore one (RFC 8259 §8.1); what a destination writes before its answer says nothing about it. */
function withoutByteOrderMark(bytes: Uint8Array): Uint8Array {
  const isMarked = bytes[0] === 0xef && bytes[1] === 0xbb && bytes[2] === 0xbf;
  return isMarked ? bytes.subarray(3) : bytes;
}

/** Value at a JSON Pointer (RFC 6901), undefined when there is none. */
export function valueAt(tree: Tree, path: Path): Tree | undefined {
  let value: Tree | undefined = tree;
  for (const token of path === '' ? [] : path.slice(1).split('/')) {
    const name = token.replaceAll('~1', '/').replaceAll('~0', '~');
    if (typeof value !== 'object' || value === null || !Object.hasOwn(value, name))
      return undefined;
    value = (value as Record<string, Tree>)[name];
  }
  return value;
}

/** The text of a leaf; null for what is no single value. */
export function leafText(value: Tree | undefined): string | null {
  if (typeof value === 'string') return value;
  if (typeof value === 'number' || typeof value === 'boolean') return String(value);
  return null;
}

/**
 * Texts at a place: none when it is missing, one for a leaf, many for a list. XML writes a list of one like
 * a single element, so both sides are compared as lists.
 */
export function textsAt(tree: Tree, path: Path): readonly string[] | null {
  return texts(valueAt(tree, path));
}

function texts(value: Tree | undefined): readonly string[] | null {
  if (value === undefined || value === null) return [];
  const leaf = leafText(value);
  if (leaf !== null) return [leaf];
  if (!Array.isArray(value)) return null;
  const all: string[] = [];
  for (const item of value as readonly Tree[]) {
    const text = leafText(item);
    if (text === null) return null;
    all.push(text);
  }
  return all;
}

/**
 * Elements at a place as a list: an array as it is, a single value as a list of one, an empty one as none. Null when the
 * document has no such place: an error page that comes with status 200 shows that nothing is held no more than no
 * answer does. XML writes an empty list as an element without any, so there the element around them must stand.
 */
export function itemsAt(tree: Tree, path: Path, format: PayloadFormat): readonly Tree[] | null {
  const value = valueAt(tree, path);
  if (value === undefined) return format === 'xml' && hasPlaceFor(tree, path) ? [] : null;
  if (value === null || value === '') return [];
  return Array.isArray(value) ? (value as readonly Tree[]) : [value];
}

function hasPlaceFor(tree: Tree, path: Path): boolean {
  const around = path.slice(0, path.lastIndexOf('/'));
  return around !== '' && valueAt(tree, around) !== undefined;
}
