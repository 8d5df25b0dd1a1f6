export const JSON_RULES = [
  'size',
  'encoding',
  'byte-order-mark',
  'syntax',
  'duplicate-key',
  'depth',
  'surrogate',
  'number',
] as const;

export type JsonRule = (typeof JSON_RULES)[number];

export interface JsonPlace {
  /** JSON Pointer of the innermost value that was being read; '' is the document. */
  readonly pointer: string;
  /** Bytes before the place. */
  readonly byteOffset: number;
  /** Counted from 1. */
  readonly line: number;
}

/** One rule of strict JSON that a document breaks, where, and what to do. */
export interface JsonFault {
  readonly rule: JsonRule;
  readonly place: JsonPlace;
  readonly message: string;
  readonly remedy: string;
}

const REMEDIES: Readonly<Record<JsonRule, string>> = {
  size: 'Send less in one document, or have the limit of the site raised.',
  encoding: 'Write the document as UTF-8.',
  'byte-order-mark': 'Write UTF-8 without a byte order mark.',
  syntax: 'Write the document with a JSON library; do not edit it by hand.',
  'duplicate-key': 'Write every key once: a reader cannot know which of two values is meant.',
  depth: 'Nest less; no bundle needs this depth.',
  surrogate: 'Write characters beyond U+FFFF as a pair of escapes or as themselves.',
  number: 'Write numbers a double can hold; long decimals travel as text.',
};

/** A fault with its place in words: `found (line 3, byte 57)`. */
export function jsonFault(rule: JsonRule, place: JsonPlace, found: string): JsonFault {
  return {
    rule,
    place,
    message: `${found} (line ${place.line}, byte ${place.byteOffset})`,
    remedy: REMEDIES[rule],
  };
}
