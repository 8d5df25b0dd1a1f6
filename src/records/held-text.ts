import { XML_FORBIDDEN } from '../formats/xml-text.js';

/**
 * Labels come from scanners and hold whatever the barcode held, also characters that XML 1.0 cannot hold
 * and texts that a CSV cell cannot tell from "nothing". Such a text is written as `json:` followed by its
 * JSON string form (RFC 8259), in which every such character is a `\uXXXX` escape. A text that itself
 * starts with `json:"` is written that way too, so the form is unambiguous and nothing is lost.
 */
const MARK = 'json:';
const MARKED = 'json:"';

/** A text in a form that any XML 1.0 element can hold. */
export function holdText(text: string): string {
  return XML_FORBIDDEN.test(text) || text.startsWith(MARKED) ? escaped(text) : text;
}

/** As `holdText`, for a CSV cell in which nothing stands for null: the empty text is marked too. */
export function holdCellText(text: string): string {
  return text === '' ? escaped(text) : holdText(text);
}

/** The text that was held; null when a marked text is not a JSON string. */
export function heldText(held: string): string | null {
  if (!held.startsWith(MARKED)) return held;
  try {
    const text: unknown = JSON.parse(held.slice(MARK.length));
    return typeof text === 'string' ? text : null;
  } catch {
    // Not JSON after the mark: the document was not written by this project, and the caller names the place.
    return null;
  }
}

function escaped(text: string): string {
  // JSON.stringify escapes controls and lone surrogates, but not the two noncharacters XML forbids.
  return (
    MARK +
    JSON.stringify(text).replace(/[\ufffe\uffff]/g, (c) => `\\u${c.charCodeAt(0).toString(16)}`)
  );
}
