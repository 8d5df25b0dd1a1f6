/**
 * What XML 1.0 cannot hold (its production Char): controls but tab and line ends, halves of a surrogate pair, two
 * noncharacters. A scanner sends FNC1 as one of them (U+001D).
 */
const UNWRITABLE =
  // biome-ignore lint/suspicious/noControlCharactersInRegex: they are what is looked for
  /[\u0000-\u0008\u000b\u000c\u000e-\u001f\ud800-\udfff\ufffe\uffff]/gu;

const CONTROL_PICTURES = 0x2400;
const SPACE = 0x20;
const REPLACEMENT = '\ufffd';

/**
 * A text of words that quotes what was scanned, so that every kind of payload can carry it: controls are shown by their
 * pictures (U+2400 on), and what is longer than `max` characters ends in an ellipsis. Never for a value that was reported.
 */
export function writtenText(text: string, max: number): string {
  const shown = text.replace(UNWRITABLE, (found) => {
    const code = found.codePointAt(0) ?? SPACE;
    return code < SPACE ? String.fromCodePoint(CONTROL_PICTURES + code) : REPLACEMENT;
  });
  const characters = [...shown];
  return characters.length <= max ? shown : `${characters.slice(0, max - 1).join('')}…`;
}
