import { refuseJcamp } from './jcamp.js';

/**
 * The ordinates of a table (X++(Y..Y)) in the ASDF forms: AFFN and PAC write a number out, SQZ writes its first
 * digit and sign as a letter, DIF the difference to the value before, DUP how often the entry before occurs.
 *
 * A line that ends in DIF form is followed by one that begins with the value it ended with: a check and no
 * point. `E` between digits is an exponent only with a sign behind it, since SQZ uses the letter as a digit.
 */
export interface OrdinateLine {
  /** As printed, not scaled. */
  readonly x: number;
  /** Index of the point that this x speaks of. */
  readonly point: number;
  readonly line: number;
}

export interface Ordinates {
  /** As stored, not scaled. */
  readonly values: readonly number[];
  readonly lines: readonly OrdinateLine[];
}

export interface DataLine {
  readonly text: string;
  readonly line: number;
}

const NUMBER = /[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]\d+)?/y;
const DIGITS = /\d*/y;
const BLANK = /[\s,]*/y;
const SQZ_PLUS = '@ABCDEFGHI';
const SQZ_MINUS = ' abcdefghi';
const DIF_PLUS = '%JKLMNOPQR';
const DIF_MINUS = ' jklmnopqr';
const DUP = ' STUVWXYZs';

/** What an entry was, which decides what a DUP behind it repeats and whether the next line begins with a check. */
type Entry = { readonly kind: 'value' } | { readonly kind: 'difference'; readonly by: number };

/**
 * Decodes the lines of a table.
 *
 * @param pointsMax decoding stops with a refusal at the first point past it, before anything is repeated
 * @throws JcampRefusal with line and column
 */
export function decodeOrdinates(lines: Iterable<DataLine>, pointsMax: number): Ordinates {
  const decoder = new OrdinateDecoder(pointsMax);
  for (const line of lines) decoder.line(line);
  return { values: decoder.values, lines: decoder.lines };
}

class OrdinateDecoder {
  readonly values: number[] = [];
  readonly lines: OrdinateLine[] = [];
  /** The last entry of the line before, or of this one so far. */
  #last: Entry | null = null;
  #text = '';
  #at = 0;
  #line = 0;

  constructor(private readonly pointsMax: number) {}

  line({ text, line }: DataLine): void {
    this.#text = text;
    this.#line = line;
    this.#at = 0;
    this.#skipBlanks();
    if (this.#isAtEnd()) return;
    const x = this.#number();
    const isCheck = this.#last?.kind === 'difference';
    this.lines.push({ x, point: this.values.length - (isCheck ? 1 : 0), line });
    this.#skipBlanks();
    if (this.#isAtEnd()) throw this.#refusal('expected an ordinate behind the x of the line');
    if (isCheck) this.#check();
    while (true) {
      this.#skipBlanks();
      if (this.#isAtEnd()) return;
      this.#entry();
    }
  }

  #check(): void {
    const column = this.#at + 1;
    const expected = this.values.at(-1);
    const found = this.#written();
    if (found === null) throw this.#refusal('expected the last value of the line before');
    if (found !== expected) {
      throw refuseJcamp(
        this.#line,
        `the DIF check fails: expected ${expected}, the value the line before ended with, found ${found}`,
        column,
      );
    }
    this.#last = { kind: 'value' };
  }

  #entry(): void {
    const written = this.#written();
    if (written !== null) {
      this.#push(written, 1, 0);
      this.#last = { kind: 'value' };
      return;
    }
    const letter = this.#text[this.#at] ?? '';
    const difference = digitOf(letter, DIF_PLUS, DIF_MINUS);
    if (difference !== null) {
      const by = this.#lettered(difference);
      this.#push((this.values.at(-1) ?? this.#nothingBefore()) + by, 1, by);
      this.#last = { kind: 'difference', by };
      return;
    }
    const times = DUP.indexOf(letter);
    if (times < 1) throw this.#refusal(this.#unknown(letter));
    this.#repeat(times);
  }

  /** Counts the entry before it too: 2 adds one more. */
  #repeat(first: number): void {
    const column = this.#at + 1;
    const times = this.#lettered({ digit: first, sign: 1 });
    const last = this.#last;
    const value = this.values.at(-1);
    if (last === null || value === undefined)
      throw this.#refusal('found DUP with nothing before it');
    if (this.values.length + times - 1 > this.pointsMax) {
      throw refuseJcamp(
        this.#line,
        `expected at most ${this.pointsMax} points, found ${this.values.length} and a DUP of ${times}`,
        column,
      );
    }
    const by = last.kind === 'difference' ? last.by : 0;
    this.#push(value + by, times - 1, by);
  }

  #push(first: number, times: number, by: number): void {
    for (let i = 0; i < times; i++) {
      const value = by === 0 ? first : first + i * by;
      // Sums past it are rounded, and the check of the next line would hide that.
      if (by !== 0 && Math.abs(value) > Number.MAX_SAFE_INTEGER) {
        throw this.#refusal(`expected sums up to ${Number.MAX_SAFE_INTEGER}, found ${value}`);
      }
      if (this.values.length >= this.pointsMax) {
        throw this.#refusal(`expected at most ${this.pointsMax} points, found more`);
      }
      this.values.push(value);
    }
  }

  /** A number that is written out (AFFN, PAC) or squeezed (SQZ); null when the next entry is neither. */
  #written(): number | null {
    const letter = this.#text[this.#at] ?? '';
    if (/[+\-.\d]/.test(letter)) return this.#number();
    const squeezed = digitOf(letter, SQZ_PLUS, SQZ_MINUS);
    return squeezed === null ? null : this.#lettered(squeezed);
  }

  #number(): number {
    NUMBER.lastIndex = this.#at;
    const found = NUMBER.exec(this.#text)?.[0];
    const value = Number(found);
    if (
      found === undefined ||
      isGlued(this.#text, this.#at + found.length) ||
      !Number.isFinite(value)
    ) {
      throw this.#refusal(
        `expected a number, found ${JSON.stringify(this.#text.slice(this.#at, this.#at + 20))}`,
      );
    }
    this.#at += found.length;
    return value;
  }

  /** A number whose first digit and sign are a letter; the digits behind it are plain. */
  #lettered({ digit, sign }: { readonly digit: number; readonly sign: 1 | -1 }): number {
    DIGITS.lastIndex = this.#at + 1;
    const digits = DIGITS.exec(this.#text)?.[0] ?? '';
    if (isGlued(this.#text, this.#at + 1 + digits.length)) {
      throw this.#refusal(`expected a whole number behind ${JSON.stringify(this.#text[this.#at])}`);
    }
    const value = sign * Number(`${digit}${digits}`);
    if (!Number.isSafeInteger(value))
      throw this.#refusal(`expected at most 15 digits, found ${digits.length + 1}`);
    this.#at += 1 + digits.length;
    return value === 0 ? 0 : value;
  }

  #skipBlanks(): void {
    BLANK.lastIndex = this.#at;
    this.#at += BLANK.exec(this.#text)?.[0].length ?? 0;
  }

  #isAtEnd(): boolean {
    return this.#at >= this.#text.length;
  }

  #nothingBefore(): never {
    throw this.#refusal('found DIF with no value before it');
  }

  #unknown(letter: string): string {
    return letter === '?'
      ? 'found ?, a point that is missing; a spectrum with holes is not read'
      : `expected an ordinate, found ${JSON.stringify(letter)}`;
  }

  #refusal(message: string): Error {
    return refuseJcamp(this.#line, message, this.#at + 1);
  }
}

/** A second point behind a number: what is glued together like that is neither one number nor two. */
function isGlued(text: string, end: number): boolean {
  return text[end] === '.';
}

function digitOf(
  letter: string,
  plus: string,
  minus: string,
): { readonly digit: number; readonly sign: 1 | -1 } | null {
  if (letter === '' || letter === ' ') return null;
  const positive = plus.indexOf(letter);
  if (positive !== -1) return { digit: positive, sign: 1 };
  const negative = minus.indexOf(letter);
  return negative === -1 ? null : { digit: negative, sign: -1 };
}

const PAIR_NUMBER = /[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?/y;
const PAIR_GAP = /[\s,;]*/y;

/**
 * Decodes pairs (XY..XY): AFFN only, comma between x and y, semicolon or blank between pairs.
 *
 * @throws JcampRefusal with line and column
 */
export function decodePairs(
  lines: Iterable<DataLine>,
  pointsMax: number,
): { readonly x: number[]; readonly y: number[] } {
  const numbers: number[] = [];
  let last = 0;
  for (const { text, line } of lines) {
    last = line;
    let at = 0;
    while (true) {
      PAIR_GAP.lastIndex = at;
      at += PAIR_GAP.exec(text)?.[0].length ?? 0;
      if (at >= text.length) break;
      PAIR_NUMBER.lastIndex = at;
      const found = PAIR_NUMBER.exec(text)?.[0];
      if (
        found === undefined ||
        isGlued(text, at + found.length) ||
        !Number.isFinite(Number(found))
      ) {
        const rest = JSON.stringify(text.slice(at, at + 20));
        throw refuseJcamp(line, `expected a number, found ${rest}`, at + 1);
      }
      if (numbers.length >= 2 * pointsMax) {
        throw refuseJcamp(line, `expected at most ${pointsMax} points, found more`, at + 1);
      }
      numbers.push(Number(found));
      at += found.length;
    }
  }
  if (numbers.length % 2 !== 0) {
    throw refuseJcamp(last, `expected pairs of x and y, found ${numbers.length} numbers`);
  }
  return {
    x: numbers.filter((_, index) => index % 2 === 0),
    y: numbers.filter((_, index) => index % 2 === 1),
  };
}
