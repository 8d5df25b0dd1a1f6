import { describe, expect, it } from 'vitest';
import { writtenText } from '../../src/formats/written-text.js';

describe('a text of words that quotes what was scanned', () => {
  it.each([
    ['plain, with ä, 😀 and\ttab\nline', 'plain, with ä, 😀 and\ttab\nline'],
    // FNC1 as a scanner sends it (GS1 General Specifications, 7.8: the separator <GS>, from memory).
    ['(01)0952\u001d10B7', '(01)0952␝10B7'],
    ['\u0000\u0008\u000b\u001f', '␀␈␋␟'],
    // XML 1.0, production 2: neither halves of a pair nor these two.
    ['a\ud800b\udc00c\ufffe\uffff', 'a\ufffdb\ufffdc\ufffd\ufffd'],
  ])('shows what XML cannot hold, and nothing else otherwise: %j', (text, shown) => {
    expect(writtenText(text, 100)).toBe(shown);
  });

  it('is cut by characters, never within one', () => {
    expect(writtenText('😀😀😀', 3)).toBe('😀😀😀');
    expect(writtenText('😀😀😀😀', 3)).toBe('😀😀…');
  });
});
