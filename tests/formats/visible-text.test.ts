import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { visibleText } from '../../src/formats/visible-text.js';

describe('visibleText', () => {
  // General categories Cc, Cf, Zl, Zp: Unicode Standard, chapter 4.5.
  test.each([
    ['D-1\u200b', 'D-1\\u{200B}'],
    ['\u202eD-1', '\\u{202E}D-1'],
    ['D\n1\t', 'D\\u{000A}1\\u{0009}'],
    ['D\u2028', 'D\\u{2028}'],
    ['\u{e0041}', '\\u{E0041}'],
    // Default_Ignorable_Code_Point (UAX #44) of other categories: a filler, a variation selector, a joiner.
    ['D\u3164\ufe0f\u034f', 'D\\u{3164}\\u{FE0F}\\u{034F}'],
    ['Fässer 12 µ', 'Fässer 12 µ'],
  ])('writes unseen characters of %j out', (text, shown) => {
    expect(visibleText(text)).toBe(shown);
  });

  test('leaves no two different labels looking the same, unless one spells the escape itself', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary' }), fc.string({ unit: 'binary' }), (a, b) => {
        fc.pre(a !== b && !a.includes('\\') && !b.includes('\\'));
        expect(visibleText(a)).not.toBe(visibleText(b));
      }),
    );
  });
});
