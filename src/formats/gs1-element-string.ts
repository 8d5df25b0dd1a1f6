import {
  type Gs1Identifier,
  gs1CheckDigit,
  gs1Identifier,
  gs1IdentifierAt,
} from './gs1-identifiers.js';

export interface Gs1Element {
  readonly ai: string;
  readonly data: string;
}

export interface Gs1Fault {
  /** Character of the text, from 1. */
  readonly at: number;
  /** Found against expected. */
  readonly message: string;
}

export type Gs1Reading =
  | { readonly kind: 'elements'; readonly elements: readonly Gs1Element[] }
  | {
      readonly kind: 'fault';
      readonly fault: Gs1Fault;
      /** What could be read all the same when only a check digit is wrong; else empty. */
      readonly elements: readonly Gs1Element[];
    }
  | { readonly kind: 'not-gs1' };

/** Symbology identifiers of GS1-128, DataBar, DataMatrix, QR and DotCode symbols that hold element strings. */
const SYMBOLOGIES: readonly string[] = [']C1', ']e0', ']d2', ']Q3', ']J1'];
/** What a reader transmits for FNC1 between elements (ASCII 29). */
const GROUP_SEPARATOR = '\u001d';
/** Characters of text elements: table of 82 of the General Specifications. */
const TEXT_82 = /^[!"%&'()*+,\-./0-9:;<=>?A-Z_a-z]$/u;
const BRACKETED = /^\(\d{2,4}\)/u;
const TEXT_MAX = 400;

/**
 * Reads a GS1 element string, in the bracketed form people read or the plain form readers transmit. Plain is what
 * begins with a symbology identifier of a GS1 symbol or holds a separator; without either, only what is an SSCC, or
 * begins with a GTIN, with a right check digit and can be read to its end. Everything else is no element string. In the
 * bracketed form blanks around data and between digits are no data, and a bracket that is data is written `\(`.
 */
export function readElementString(text: string): Gs1Reading {
  if (text.length > TEXT_MAX) return { kind: 'not-gs1' };
  if (BRACKETED.test(text)) return readBracketed(text);
  const prefix = SYMBOLOGIES.find((symbology) => text.startsWith(symbology));
  if (prefix !== undefined) return readPlain(text, prefix.length);
  if (text.includes(GROUP_SEPARATOR)) return readPlain(text, 0);
  if (!/^0[01]\d{14}/u.test(text)) return { kind: 'not-gs1' };
  const reading = readPlain(text, 0);
  return reading.kind === 'elements' ? reading : { kind: 'not-gs1' };
}

/** One text for every spelling: bracketed, by identifier, brackets within data escaped. */
export function canonicalElementString(elements: readonly Gs1Element[]): string {
  return [...elements]
    .sort((a, b) => (a.ai < b.ai ? -1 : a.ai > b.ai ? 1 : 0))
    .map(({ ai, data }) => `(${ai})${data.replace(/\(/gu, '\\(')}`)
    .join('');
}

/** Data of an identifier; null when the string does not hold it. */
export function elementData(elements: readonly Gs1Element[], ai: string): string | null {
  return elements.find((element) => element.ai === ai)?.data ?? null;
}

function readBracketed(text: string): Gs1Reading {
  const collected = new Elements();
  let at = 0;
  while (at < text.length) {
    const code = /^\s*\((\d{2,4})\)/u.exec(text.slice(at));
    const identifier = code ? gs1Identifier(code[1] ?? '') : null;
    if (!code || !identifier) return unknownIdentifier(text, at);
    const start = at + code[0].length;
    const end = endOfBracketed(text, start);
    const printed = text.slice(start, end).trim().replace(/\\\(/gu, '(');
    // Digits may be printed in groups. Within text a blank is no character of any: taken off, two labels would be one.
    const data = identifier.content === 'N' ? printed.replace(/\s/gu, '') : printed;
    collected.add(identifier, data, start);
    at = end;
  }
  return collected.reading();
}

/** Place of the next bracket that is not escaped. */
function endOfBracketed(text: string, from: number): number {
  for (let i = from; i < text.length; i++) {
    if (text[i] === '\\' && text[i + 1] === '(') i += 1;
    else if (text[i] === '(') return i;
  }
  return text.length;
}

function readPlain(text: string, from: number): Gs1Reading {
  const collected = new Elements();
  let at = from;
  while (at < text.length) {
    if (text[at] === GROUP_SEPARATOR) {
      at += 1;
      continue;
    }
    const identifier = gs1IdentifierAt(text, at);
    if (!identifier) return unknownIdentifier(text, at);
    const start = at + identifier.ai.length;
    const separator = text.indexOf(GROUP_SEPARATOR, start);
    const limit = separator === -1 ? text.length : separator;
    const end = identifier.isPredefined ? Math.min(start + identifier.lengthMax, limit) : limit;
    collected.add(identifier, text.slice(start, end), start);
    at = end;
  }
  return collected.reading();
}

function unknownIdentifier(text: string, at: number): Gs1Reading {
  const found = text.slice(at, at + 6);
  const message = `found "${found}", expected an application identifier`;
  return { kind: 'fault', fault: { at: at + 1, message }, elements: [] };
}

/** Elements as they are found, with the first thing that is wrong. */
class Elements {
  readonly #elements = new Map<string, string>();
  #structure: Gs1Fault | null = null;
  #checkDigit: Gs1Fault | null = null;

  /** @param start of the data, from 0 */
  add(identifier: Gs1Identifier, data: string, start: number): void {
    const before = this.#elements.get(identifier.ai);
    const message =
      before !== undefined && before !== data
        ? `(${identifier.ai}) stands twice, as "${before}" and "${data}"`
        : structureFault(identifier, data);
    if (message !== null) this.#structure ??= { at: start + 1, message };
    else if (identifier.check === 'digit') {
      const expected = gs1CheckDigit(data.slice(0, -1));
      if (!data.endsWith(expected)) {
        const named = `check digit of (${identifier.ai}) ${identifier.title}`;
        const at = start + data.length;
        this.#checkDigit ??= {
          at,
          message: `${named} is ${data.at(-1)}, expected ${expected}`,
        };
      }
    }
    this.#elements.set(identifier.ai, data);
  }

  reading(): Gs1Reading {
    const elements = [...this.#elements].map(([ai, data]) => ({ ai, data }));
    if (this.#structure) return { kind: 'fault', fault: this.#structure, elements: [] };
    if (this.#checkDigit) return { kind: 'fault', fault: this.#checkDigit, elements };
    if (elements.length > 0) return { kind: 'elements', elements };
    return { kind: 'fault', fault: { at: 1, message: 'no element' }, elements };
  }
}

function structureFault(identifier: Gs1Identifier, data: string): string | null {
  const { ai, title, content, lengthMin, lengthMax, check } = identifier;
  const name = `(${ai}) ${title}`;
  if (data.length < lengthMin || data.length > lengthMax) {
    const expected = lengthMin === lengthMax ? `${lengthMin}` : `${lengthMin} to ${lengthMax}`;
    return `${name} has ${data.length} characters, expected ${expected}`;
  }
  const allowed = content === 'N' ? /^\d$/u : TEXT_82;
  const wrong = [...data].find((character) => !allowed.test(character));
  if (wrong !== undefined) {
    const code = (wrong.codePointAt(0) ?? 0).toString(16).toUpperCase().padStart(4, '0');
    return `${name} holds U+${code}, expected ${content === 'N' ? 'digits' : 'the 82 GS1 characters'}`;
  }
  if (check === 'date' && !isDate(data)) return `${name} is "${data}", expected YYMMDD`;
  return null;
}

/** Years are two digits of either century: 29 February is taken where one of them has it. */
function isDate(yymmdd: string): boolean {
  const year = Number(yymmdd.slice(0, 2));
  const month = Number(yymmdd.slice(2, 4));
  const day = Number(yymmdd.slice(4));
  if (month < 1 || month > 12) return false;
  const february = year % 4 === 0 ? 29 : 28;
  const days = [31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][month - 1] ?? 0;
  return day <= days;
}
