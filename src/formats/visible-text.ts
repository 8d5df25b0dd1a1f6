/**
 * Characters that change how a text looks without being seen: control characters, direction marks, zero-width characters,
 * line separators, fillers and variation selectors. Two labels that differ must not look alike, and none may reorder the
 * sentence around it.
 */
const UNSEEN = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Default_Ignorable_Code_Point}]/gu;

/** The same, but what lays out lines. */
const UNSEEN_IN_LINES = /(?![\n\t])[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Default_Ignorable_Code_Point}]/gu;

/** A label as it is, with unseen characters written out, e.g. `D-1\u{200B}`. */
export function visibleText(text: string): string {
  return text.replace(UNSEEN, byCode);
}

/** The same for text that is laid out in lines and columns already: line feeds and tabs stay. */
export function visibleLines(text: string): string {
  return text.replace(UNSEEN_IN_LINES, byCode);
}

/** A character by its code point, e.g. `\u{200B}`. */
export function byCode(character: string): string {
  const code = character.codePointAt(0) ?? 0;
  return `\\u{${code.toString(16).toUpperCase().padStart(4, '0')}}`;
}
