import { type JsonLimits, parseStrictJson, type StrictJson } from './strict-json.js';

/**
 * Reads a document as `parseStrictJson` does, with every number as the text it was written as: `1E5` stays `1E5` and
 * `1.0` stays `1.0`, where a parsed number would have lost which of them was sent.
 */
export function parseJsonTexts(bytes: Uint8Array, limits: JsonLimits): StrictJson {
  const strict = parseStrictJson(bytes, limits);
  if (!strict.ok) return strict;
  const text = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
  // Known to be JSON by now, so whatever begins like a number outside a text is one.
  return { ok: true, value: JSON.parse(withQuotedNumbers(text)) as unknown };
}

/**
 * Reads a document as `parseStrictJson` does, with whole numbers that a double shows by other digits as the text they
 * were written as: readers need not agree on those (RFC 8259 §6), and two identifiers that differ only there are two.
 */
export function parseJsonDigits(bytes: Uint8Array, limits: JsonLimits): StrictJson {
  const strict = parseStrictJson(bytes, limits);
  if (!strict.ok) return strict;
  const text = new TextDecoder().decode(bytes);
  if (!MANY_DIGITS.test(text)) return strict;
  const quoted = Buffer.from(withQuotedNumbers(text, isShownOtherwise));
  return parseStrictJson(quoted, { ...limits, bytesMax: quoted.length });
}

/** Any whole number of 15 digits is shown as it was written. */
const MANY_DIGITS = /\d{16}/;

function isShownOtherwise(number: string): boolean {
  return number.length > 15 && /^-?\d+$/.test(number) && String(Number(number)) !== number;
}

const NUMBER = /-?\d[\d.eE+-]*/y;

function withQuotedNumbers(
  text: string,
  isQuoted: (number: string) => boolean = () => true,
): string {
  let quoted = '';
  let from = 0;
  for (let at = 0; at < text.length; at += 1) {
    const character = text[at];
    if (character === '"') {
      at = endOfText(text, at);
      continue;
    }
    NUMBER.lastIndex = at;
    const [number] = NUMBER.exec(text) ?? [];
    if (number === undefined) continue;
    const end = at + number.length;
    if (isQuoted(number)) {
      quoted += `${text.slice(from, at)}"${number}"`;
      from = end;
    }
    at = end - 1;
  }
  return quoted + text.slice(from);
}

/** Index of the quote that ends the text which begins at `from`. */
function endOfText(text: string, from: number): number {
  let at = from + 1;
  while (text[at] !== '"') at += text[at] === '\\' ? 2 : 1;
  return at;
}
