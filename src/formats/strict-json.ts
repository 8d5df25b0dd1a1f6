import { type JsonFault, type JsonRule, jsonFault } from './json-fault.js';
import { scanJson } from './json-scan.js';

/**
 * JSON from outside, read strictly (RFC 8259 within I-JSON, RFC 7493): UTF-8 without a byte order mark, no
 * key twice in one object at any depth, no lone surrogate, no number beyond a double, bounded depth.
 * `JSON.parse` alone would keep the last of two equal keys without a word.
 */
export interface JsonLimits {
  readonly bytesMax: number;
  /** Objects and arrays inside one another; a document of one object has depth 1. */
  readonly depthMax: number;
}

export type StrictJson =
  | { readonly ok: true; readonly value: unknown }
  | { readonly ok: false; readonly fault: JsonFault };

export const JSON_DEPTH_MAX = 32;

/**
 * Reads a document, or says where it breaks which rule. Objects have no prototype, so that a key named
 * `__proto__` or `constructor` is a key like any other. Costs about one `JSON.parse`: the scan jumps over
 * strings without escapes, where the bytes of a spectrum are.
 */
export function parseStrictJson(bytes: Uint8Array, limits: JsonLimits): StrictJson {
  if (bytes.length > limits.bytesMax) {
    return refused('size', '', 0, 1, `${bytes.length} bytes, the limit is ${limits.bytesMax}`);
  }
  const text = decodeUtf8(bytes);
  if (text === null) {
    const { offset, line } = firstBadByte(bytes);
    return refused('encoding', '', offset, line, `byte ${offset} is not part of valid UTF-8`);
  }
  if (text.charCodeAt(0) === 0xfeff) {
    return refused('byte-order-mark', '', 0, 1, 'the document begins with a byte order mark');
  }
  const scan = scanJson(text, limits.depthMax);
  if (scan !== null) return refusedAt(text, scan.at, scan.rule, scan.pointer, scan.found);
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    // The scan skips over strings, so a raw control character in one is all that can be left.
    return refusedControlCharacter(text);
  }
  return { ok: true, value: withoutPrototypes(value) };
}

function decodeUtf8(bytes: Uint8Array): string | null {
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
  } catch {
    // A TypeError is how the decoder says that the bytes are not UTF-8; the caller looks for the place.
    return null;
  }
}

/** Where lenient decoding put a replacement character that is not in the bytes. */
function firstBadByte(bytes: Uint8Array): { offset: number; line: number } {
  const text = new TextDecoder('utf-8', { fatal: false, ignoreBOM: true }).decode(bytes);
  let offset = 0;
  let line = 1;
  let from = 0;
  for (let at = text.indexOf('\ufffd'); at !== -1; at = text.indexOf('\ufffd', from)) {
    const before = text.slice(from, at);
    offset += Buffer.byteLength(before);
    line += newlines(before);
    const isLiteral =
      bytes[offset] === 0xef && bytes[offset + 1] === 0xbf && bytes[offset + 2] === 0xbd;
    if (!isLiteral) break;
    offset += 3;
    from = at + 1;
  }
  return { offset, line };
}

function refusedControlCharacter(text: string): StrictJson {
  // biome-ignore lint/suspicious/noControlCharactersInRegex: finding control characters is the purpose
  const controls = /[\u0000-\u001f]/g;
  let inString = false;
  for (let at = 0; at < text.length; at++) {
    const code = text.charCodeAt(at);
    if (inString && code === 0x5c) at++;
    else if (code === 0x22) inString = !inString;
    else if (inString && code < 0x20) {
      return refusedAt(text, at, 'syntax', '', 'a control character inside a string');
    }
  }
  return refusedAt(text, Math.max(0, text.search(controls)), 'syntax', '', 'not JSON');
}

function refusedAt(
  text: string,
  at: number,
  rule: JsonRule,
  pointer: string,
  found: string,
): StrictJson {
  const before = text.slice(0, at);
  return refused(rule, pointer, Buffer.byteLength(before), newlines(before) + 1, found);
}

function refused(
  rule: JsonRule,
  pointer: string,
  byteOffset: number,
  line: number,
  found: string,
): StrictJson {
  return { ok: false, fault: jsonFault(rule, { pointer, byteOffset, line }, found) };
}

function newlines(text: string): number {
  let count = 0;
  for (let at = text.indexOf('\n'); at !== -1; at = text.indexOf('\n', at + 1)) count++;
  return count;
}

/** Takes the prototype of every object away. Arrays keep theirs; arrays of numbers are not walked. */
function withoutPrototypes(value: unknown): unknown {
  if (typeof value !== 'object' || value === null) return value;
  if (Array.isArray(value)) {
    if (typeof value[0] !== 'number' || typeof value.at(-1) !== 'number') {
      for (const element of value) withoutPrototypes(element);
    } else {
      for (const element of value) {
        if (typeof element === 'object' && element !== null) withoutPrototypes(element);
      }
    }
    return value;
  }
  for (const key of Object.keys(value)) {
    withoutPrototypes((value as Record<string, unknown>)[key]);
  }
  return Object.setPrototypeOf(value, null) as unknown;
}
