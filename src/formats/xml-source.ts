import { XML_FORBIDDEN } from './xml-text.js';

/** Why a document is not read. Thrown inside the XML reader only, which turns it into a value. */
export class XmlRefusal extends Error {
  constructor(
    readonly at: string,
    message: string,
  ) {
    super(message);
  }
}

/** The document's text, after everything that can be refused without parsing it. */
export function sourceText(bytes: Uint8Array): string {
  const text = decodeUtf8(bytes);
  refuseByText(text);
  return text;
}

function decodeUtf8(bytes: Uint8Array): string {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    // The decoder's own message names no position; what to do is the same wherever it is.
    throw new XmlRefusal('', 'expected UTF-8 text, found bytes that are not UTF-8');
  }
}

function refuseByText(text: string): void {
  if (/<!DOCTYPE/i.test(text)) {
    throw new XmlRefusal('', 'a DOCTYPE is not accepted: send the document without one');
  }
  const encoding = /^<\?xml[^>]*?\sencoding\s*=\s*["']([^"']*)["']/.exec(text)?.[1];
  if (encoding !== undefined && encoding.toUpperCase() !== 'UTF-8') {
    throw new XmlRefusal('', `expected encoding UTF-8, found ${encoding.slice(0, 40)}`);
  }
  if (XML_FORBIDDEN.test(text)) {
    throw new XmlRefusal('', 'the document holds a control character that XML 1.0 does not allow');
  }
}

const END_TAG_WITH_SLASH = /<\/[^<>]*\/>/;
/** What does not end goes to the end of the text: looking for it anew from every place would take far too long. */
const NO_TAGS = /<!--.*?(?:-->|$)|<!\[CDATA\[.*?(?:\]\]>|$)|<\?.*?(?:\?>|$)/gs;

/**
 * Refuses, in a document that the validator let pass, what neither it nor the parser looks at: text behind the root, and
 * all that follows an end tag with a slash, which the parser takes for the end of whatever element is open.
 */
export function refuseWhatIsPassedOver(text: string): void {
  if (!END_TAG_WITH_SLASH.test(text) && endsWithTag(text)) return;
  const tags = text.replace(NO_TAGS, (found) => (found.startsWith('<![') ? '<![' : ''));
  const slash = END_TAG_WITH_SLASH.exec(tags)?.[0];
  if (slash !== undefined) {
    const found = JSON.stringify(slash.slice(0, 40));
    throw new XmlRefusal('', `the XML is malformed: found ${found}, an end tag with a slash`);
  }
  if (!endsWithTag(tags)) {
    const found = JSON.stringify(tags.slice(tags.lastIndexOf('<')).slice(0, 40));
    throw new XmlRefusal('', `expected nothing behind the root element, found ${found}`);
  }
}

function endsWithTag(text: string): boolean {
  const from = text.lastIndexOf('<') + 1;
  if (text[from] === '!' || text[from] === '?') return false;
  let quote = '';
  for (let at = from; at < text.length; at++) {
    const character = text[at] ?? '';
    if (quote !== '') {
      if (character === quote) quote = '';
    } else if (character === '"' || character === "'") quote = character;
    else if (character === '>') return text.slice(at + 1).trim() === '';
  }
  return false;
}

const PREDEFINED: ReadonlyMap<string, string> = new Map([
  ['amp', '&'],
  ['lt', '<'],
  ['gt', '>'],
  ['quot', '"'],
  ['apos', "'"],
]);

/** Replaces the five predefined entities and numeric references, once; anything else is refused. */
export function decodeEntities(text: string, path: string): string {
  if (!text.includes('&')) return text;
  return text.replace(/&([^;&]{0,12};?)/g, (whole, body: string) => {
    const name = body.endsWith(';') ? body.slice(0, -1) : '';
    const known = PREDEFINED.get(name);
    if (known !== undefined) return known;
    const digits = /^#(?:x([0-9a-fA-F]{1,6})|([0-9]{1,7}))$/.exec(name);
    const point = digits ? Number.parseInt(digits[1] ?? digits[2] ?? '', digits[1] ? 16 : 10) : -1;
    const isScalar = point > 0 && point <= 0x10ffff && !(point >= 0xd800 && point <= 0xdfff);
    const character = isScalar ? String.fromCodePoint(point) : null;
    if (character === null || XML_FORBIDDEN.test(character)) {
      throw new XmlRefusal(path, `the entity ${whole.slice(0, 14)} is not accepted`);
    }
    return character;
  });
}
