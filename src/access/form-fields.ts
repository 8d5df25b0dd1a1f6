/** Names and values of a form, in its order; or what is wrong with it, naming the field. */
export type FormRead =
  | { readonly ok: true; readonly fields: readonly (readonly [name: string, value: string])[] }
  | { readonly ok: false; readonly message: string };

const NAME_SHOWN_MAX = 100;

/**
 * Reads a form that was sent as `application/x-www-form-urlencoded` (URL Standard, section 5.1), but strictly. The
 * standard's parser puts U+FFFD for bytes that are no UTF-8, so that different labels become the same one, and keeps a
 * name that is given twice, of which one reader would take the first and another the last.
 *
 * @param mayRepeat names that may be given more than once
 */
export function readFormFields(bytes: Uint8Array, mayRepeat: readonly string[]): FormRead {
  const fields: (readonly [string, string])[] = [];
  const seen = new Set<string>();
  for (const pair of Buffer.from(bytes).toString('latin1').split('&')) {
    if (pair === '') continue;
    const at = pair.indexOf('=');
    const name = decode(at === -1 ? pair : pair.slice(0, at));
    if (name === null) return refused('the name of a field', NOT_UTF8);
    const value = at === -1 ? '' : decode(pair.slice(at + 1));
    if (value === null) return refused(name, NOT_UTF8);
    if (seen.has(name) && !mayRepeat.includes(name)) {
      return refused(name, 'expected once, found more often');
    }
    seen.add(name);
    fields.push([name, value]);
  }
  return { ok: true, fields };
}

const NOT_UTF8 = 'expected percent-encoded UTF-8, found bytes that are not';

function refused(name: string, message: string): FormRead {
  return { ok: false, message: `${name.slice(0, NAME_SHOWN_MAX)}: ${message}` };
}

/** @param text one character per byte, as it was sent; null when it says no text */
function decode(text: string): string | null {
  if (/%(?![0-9a-f]{2})/i.test(text)) return null;
  const bytes = text
    .replaceAll('+', ' ')
    .replace(/%(..)/g, (_escape, hex: string) => String.fromCharCode(Number.parseInt(hex, 16)));
  try {
    return UTF8.decode(Buffer.from(bytes, 'latin1'));
  } catch {
    return null;
  }
}

/** A byte order mark is part of what was typed: dropped, it would make two labels one. */
const UTF8 = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true });
