/** Text of bytes from outside, or what they seem to be instead of UTF-8. */
export type DecodedText =
  | { readonly ok: true; readonly text: string }
  | { readonly ok: false; readonly found: string };

const LOOKED_AT = 64;

/** Decodes UTF-8 and nothing else; a byte order mark is dropped. Any other encoding would change labels unseen. */
export function decodeText(bytes: Uint8Array): DecodedText {
  const wide = wideEncoding(bytes);
  if (wide !== null) return { ok: false, found: wide };
  try {
    return { ok: true, text: new TextDecoder('utf-8', { fatal: true }).decode(bytes) };
  } catch {
    // The decoder's own message names no place; what it is not is all that can be told.
    return { ok: false, found: 'bytes that are not UTF-8' };
  }
}

function wideEncoding(bytes: Uint8Array): string | null {
  const [a, b, c, d] = bytes;
  if (a === 0xff && b === 0xfe && c === 0 && d === 0) return 'UTF-32 (little-endian)';
  if (a === 0 && b === 0 && c === 0xfe && d === 0xff) return 'UTF-32 (big-endian)';
  if (a === 0xff && b === 0xfe) return 'UTF-16 (little-endian)';
  if (a === 0xfe && b === 0xff) return 'UTF-16 (big-endian)';
  const head = bytes.subarray(0, LOOKED_AT);
  const zero = head.indexOf(0);
  if (zero === -1) return null;
  return zero % 2 === 1
    ? 'UTF-16 without a mark (little-endian)'
    : 'UTF-16 without a mark (big-endian)';
}
