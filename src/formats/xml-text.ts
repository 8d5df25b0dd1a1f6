/** What XML 1.0 can hold as text, and how it is written so that a parser gives the same text back. */

/** Characters that XML 1.0 cannot hold in any form, lone surrogates included (production 2, `Char`). */
export const XML_FORBIDDEN =
  // biome-ignore lint/suspicious/noControlCharactersInRegex: these are the characters meant
  /[\u0000-\u0008\u000b\u000c\u000e-\u001f\ufffe\uffff]|[\ud800-\udbff](?![\udc00-\udfff])|(?<![\ud800-\udbff])[\udc00-\udfff]/;

const ELEMENT_SPECIAL = /[&<>\r]/;
const ATTRIBUTE_SPECIAL = /[&<>"\t\n\r]/;

const ESCAPES: Readonly<Record<string, string>> = {
  '&': '&amp;',
  '<': '&lt;',
  '>': '&gt;',
  '"': '&quot;',
  '\t': '&#9;',
  '\n': '&#10;',
  '\r': '&#13;',
};

/**
 * Text as element content. A carriage return is written as a reference, because parsers turn a plain
 * one into a line feed. The text must hold no `XML_FORBIDDEN` character.
 */
export function elementText(text: string): string {
  return ELEMENT_SPECIAL.test(text) ? text.replace(/[&<>\r]/g, escapeOf) : text;
}

const REFUSED_NAMES: ReadonlySet<string> = new Set(['__proto__', 'constructor', 'prototype']);

/** Text as attribute value between double quotes; tab and line ends as references, else they become blanks. */
export function attributeText(text: string): string {
  return ATTRIBUTE_SPECIAL.test(text) ? text.replace(/[&<>"\t\n\r]/g, escapeOf) : text;
}

/**
 * A name for an element or attribute: letters, digits, `_`, `-`, `.` and at most one prefix, narrower than
 * XML allows. Names that mean something to JavaScript objects are refused both ways.
 */
export function isXmlName(name: string): boolean {
  if (REFUSED_NAMES.has(name) || name.length > 200) return false;
  return /^[\p{L}_][\p{L}\p{N}_.-]*(?::[\p{L}_][\p{L}\p{N}_.-]*)?$/u.test(name);
}

function escapeOf(character: string): string {
  return ESCAPES[character] ?? character;
}
