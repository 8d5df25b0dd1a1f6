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

const NUMBER = /-?\d[\d.eE+-]*/y;

function withQuotedNumbers(text: string): string {
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
    quoted += `${text.slice(from, at)}"${number}"`;
    from = at + number.length;
    at = from - 1;
  }
  return quoted + text.slice(from);
}

/** Index of the quote that ends the text which begins at `from`. */
function endOfText(text: string, from: number): number {
  let at = from + 1;
  while (text[at] !== '"') at += text[at] === '\\' ? 2 : 1;
  return at;
}
