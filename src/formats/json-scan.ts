import type { JsonRule } from './json-fault.js';

/** The first broken rule: index in UTF-16 units, pointer, words. */
export interface ScanFault {
  readonly rule: JsonRule;
  readonly at: number;
  readonly pointer: string;
  readonly found: string;
}

const QUOTE = 0x22;
const BACKSLASH = 0x5c;
const ESCAPE = /\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4})/y;
/** Shorter strings are walked character by character, longer ones jumped over; both give the same. */
const WALK_MAX = 24;
/** A number with an exponent or more characters than this may lie beyond a double. */
const PLAIN_NUMBER_MAX = 300;
const KEYS_COMPARED_ONE_BY_ONE = 24;

/**
 * Walks a JSON text once and reports the first fault, or null. Checks everything but control characters
 * inside strings without escapes, which it jumps over; `JSON.parse` refuses those.
 */
export function scanJson(text: string, depthMax: number): ScanFault | null {
  const scanner = new Scanner(text, depthMax);
  try {
    scanner.document();
    return null;
  } catch (error) {
    if (error instanceof Stop) return error.fault;
    throw error;
  }
}

/** Carries the fault out of the recursion; never leaves this file. */
class Stop extends Error {
  readonly fault: ScanFault;

  constructor(fault: ScanFault) {
    super(fault.found);
    this.fault = fault;
  }
}

class Scanner {
  readonly #text: string;
  readonly #depthMax: number;
  readonly #path: (string | number)[] = [];
  #at = 0;
  /** Position of the next backslash at or after `#at`, kept so that no stretch is searched twice. */
  #nextBackslash: number;

  constructor(text: string, depthMax: number) {
    this.#text = text;
    this.#depthMax = depthMax;
    this.#nextBackslash = this.#find('\\', 0);
  }

  document(): void {
    this.#value();
    this.#space();
    if (this.#at < this.#text.length) this.#stop('syntax', this.#at, 'text after the document');
  }

  #value(): void {
    this.#space();
    switch (this.#text.charCodeAt(this.#at)) {
      case QUOTE:
        this.#string();
        return;
      case 0x7b:
        this.#object();
        return;
      case 0x5b:
        this.#array();
        return;
      case 0x74:
        this.#word('true');
        return;
      case 0x66:
        this.#word('false');
        return;
      case 0x6e:
        this.#word('null');
        return;
      default:
        this.#number();
    }
  }

  #object(): void {
    this.#enter();
    const keys = new KeySet();
    if (this.#closes(0x7d)) return;
    const level = this.#path.length;
    for (;;) {
      this.#space();
      const keyAt = this.#at;
      const key = this.#key();
      this.#path[level] = key;
      if (!keys.add(key)) {
        this.#stop('duplicate-key', keyAt, `the key ${JSON.stringify(key)} stands here again`);
      }
      this.#space();
      if (this.#text.charCodeAt(this.#at) !== 0x3a) {
        this.#stop('syntax', this.#at, 'no colon after the key');
      }
      this.#at++;
      this.#value();
      if (this.#ends(0x7d)) break;
    }
    this.#path.length = level;
  }

  #array(): void {
    this.#enter();
    if (this.#closes(0x5d)) return;
    const level = this.#path.length;
    for (let index = 0; ; index++) {
      this.#path[level] = index;
      this.#value();
      if (this.#ends(0x5d)) break;
    }
    this.#path.length = level;
  }

  /** Past the opening bracket. Every level adds exactly one step to the path, so its length is the depth. */
  #enter(): void {
    if (this.#path.length >= this.#depthMax) {
      this.#stop('depth', this.#at, `more than ${this.#depthMax} levels inside one another`);
    }
    this.#at++;
  }

  #closes(bracket: number): boolean {
    this.#space();
    if (this.#text.charCodeAt(this.#at) !== bracket) return false;
    this.#at++;
    return true;
  }

  /** After a member: true past the closing bracket, false past a comma. */
  #ends(bracket: number): boolean {
    this.#space();
    const code = this.#text.charCodeAt(this.#at);
    if (code !== bracket && code !== 0x2c) {
      this.#stop('syntax', this.#at, 'neither a comma nor the end of the list');
    }
    this.#at++;
    return code === bracket;
  }

  #space(): void {
    for (;;) {
      const code = this.#text.charCodeAt(this.#at);
      if (code !== 0x20 && code !== 0x0a && code !== 0x0d && code !== 0x09) return;
      this.#at++;
    }
  }

  #word(word: string): void {
    if (!this.#text.startsWith(word, this.#at)) this.#stop('syntax', this.#at, 'not a JSON value');
    this.#at += word.length;
  }

  #number(): void {
    const from = this.#at;
    let at = this.#text.charCodeAt(from) === 0x2d ? from + 1 : from;
    const whole = at;
    at = this.#digits(at);
    if (this.#text.charCodeAt(whole) === 0x30 && at > whole + 1) {
      this.#stop('syntax', from, 'a number with a leading zero');
    }
    if (this.#text.charCodeAt(at) === 0x2e) at = this.#digits(at + 1);
    const exponent = this.#text.charCodeAt(at) | 0x20;
    if (exponent === 0x65) {
      const sign = this.#text.charCodeAt(at + 1);
      at = this.#digits(sign === 0x2b || sign === 0x2d ? at + 2 : at + 1);
    }
    this.#at = at;
    if (exponent === 0x65 || at - from > PLAIN_NUMBER_MAX) this.#finite(from, at);
  }

  /** Past one or more digits. */
  #digits(from: number): number {
    let at = from;
    for (;;) {
      const code = this.#text.charCodeAt(at);
      if (!(code >= 0x30 && code <= 0x39)) break;
      at++;
    }
    if (at === from) {
      const end = from >= this.#text.length;
      this.#stop('syntax', from, end ? 'the document ends too early' : 'not a JSON value');
    }
    return at;
  }

  #finite(from: number, to: number): void {
    const digits = this.#text.slice(from, to);
    if (Number.isFinite(Number(digits))) return;
    this.#stop('number', from, `the number ${digits.slice(0, 40)} lies beyond a double`);
  }

  /** Moves past the string at `#at`. */
  #string(): void {
    const from = this.#at + 1;
    const walkTo = from + WALK_MAX;
    for (let at = from; at < walkTo; at++) {
      const code = this.#text.charCodeAt(at);
      if (code === QUOTE) {
        this.#at = at + 1;
        return;
      }
      if (code === BACKSLASH || Number.isNaN(code)) {
        this.#escapedString(from);
        return;
      }
    }
    if (this.#nextBackslash < walkTo) this.#nextBackslash = this.#find('\\', walkTo);
    const end = this.#find('"', walkTo);
    if (end < this.#nextBackslash) this.#at = end + 1;
    else this.#escapedString(from);
  }

  /** Moves past a key and returns what it says. */
  #key(): string {
    const from = this.#at;
    if (this.#text.charCodeAt(from) !== QUOTE) this.#stop('syntax', from, 'no key here');
    this.#string();
    const raw = this.#text.slice(from + 1, this.#at - 1);
    return raw.includes('\\') ? (JSON.parse(`"${raw}"`) as string) : raw;
  }

  /** Walks a string that holds an escape, from its first character. */
  #escapedString(from: number): void {
    let at = from;
    for (;;) {
      const code = this.#text.charCodeAt(at);
      if (code === QUOTE) break;
      if (at >= this.#text.length) this.#stop('syntax', from - 1, 'a string that does not end');
      if (code < 0x20) this.#stop('syntax', at, 'a control character inside a string');
      at = code === BACKSLASH ? this.#escape(at) : at + 1;
    }
    this.#at = at + 1;
  }

  /** Past one escape, or both of a surrogate pair. */
  #escape(at: number): number {
    ESCAPE.lastIndex = at;
    if (!ESCAPE.test(this.#text)) this.#stop('syntax', at, 'an escape that JSON does not know');
    const unit = this.#unit(at);
    if (unit === null || unit < 0xd800 || unit > 0xdfff) return ESCAPE.lastIndex;
    const low = this.#unit(at + 6);
    const isPair = unit < 0xdc00 && low !== null && low >= 0xdc00 && low <= 0xdfff;
    if (!isPair) {
      this.#stop('surrogate', at, `a lone surrogate ${this.#text.slice(at, at + 6)}`);
    }
    return at + 12;
  }

  /** Code unit of a `\uXXXX` escape at this place, else null. */
  #unit(at: number): number | null {
    const match = /^\\u([0-9a-fA-F]{4})$/.exec(this.#text.slice(at, at + 6));
    return match ? Number.parseInt(match[1] ?? '', 16) : null;
  }

  /** Index of a character at or after `from`; past the end of the text when there is none. */
  #find(character: string, from: number): number {
    const at = this.#text.indexOf(character, from);
    if (at !== -1) return at;
    if (character === '\\') return this.#text.length + 1;
    return this.#stop('syntax', from - 1, 'a string that does not end');
  }

  #stop(rule: JsonRule, at: number, found: string): never {
    const steps = this.#path.map((step) =>
      String(step).replaceAll('~', '~0').replaceAll('/', '~1'),
    );
    throw new Stop({ rule, at, pointer: steps.map((step) => `/${step}`).join(''), found });
  }
}

/** Keys of one object. Most objects have few, where comparing beats hashing. */
class KeySet {
  readonly #few: string[] = [];
  #many: Set<string> | null = null;

  /** False when the key is there already. */
  add(key: string): boolean {
    if (this.#many === null) {
      if (this.#few.includes(key)) return false;
      this.#few.push(key);
      if (this.#few.length > KEYS_COMPARED_ONE_BY_ONE) this.#many = new Set(this.#few);
      return true;
    }
    const before = this.#many.size;
    return this.#many.add(key).size > before;
  }
}
