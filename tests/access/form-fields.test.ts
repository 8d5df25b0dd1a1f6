import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { readFormFields } from '../../src/access/form-fields.js';

const read = (text: string, mayRepeat: readonly string[] = []) =>
  readFormFields(Buffer.from(text, 'latin1'), mayRepeat);

/** Any text a form can hold: no lone surrogates, which UTF-8 has no bytes for. */
const texts = fc.string({ unit: 'grapheme' });

describe('a form', () => {
  it('is read as the parser of the platform reads what the platform wrote', () => {
    fc.assert(
      fc.property(fc.uniqueArray(fc.tuple(texts, texts), { selector: ([n]) => n }), (pairs) => {
        const sent = new URLSearchParams(pairs).toString();
        expect(read(sent)).toEqual({ ok: true, fields: [...new URLSearchParams(sent)] });
      }),
    );
  });

  it.each([
    [
      'a=b=c&d&=e&&',
      [
        ['a', 'b=c'],
        ['d', ''],
        ['', 'e'],
      ],
    ],
    ['a=%C3%bc+%2B%26%3D%25', [['a', 'ü +&=%']]],
    // Not dropped: with and without it are two labels.
    ['a=%EF%BB%BFD-1', [['a', '\uFEFFD-1']]],
  ])('reads %s', (text, fields) => {
    expect(read(text)).toEqual({ ok: true, fields });
  });

  it.each([
    ['an escaped byte that is none', 'id=D-%FF1'],
    ['a byte that is none', 'id=D-\xff1'],
    ['half a character', 'id=D-%C3'],
    ['an overlong form', 'id=%C0%AF'],
    ['a surrogate', 'id=%ED%A0%80'],
    ['a % that escapes nothing', 'id=100%'],
    ['a % with one digit', 'id=%4'],
    ['a % with something else', 'id=%zz'],
  ])('with %s is refused, and the field is named', (_what, text) => {
    expect(read(`before=1&${text}`)).toEqual({
      ok: false,
      message: 'id: expected percent-encoded UTF-8, found bytes that are not',
    });
  });

  it('whose field has no name in UTF-8 is refused', () => {
    expect(read('%FF=1')).toMatchObject({
      message: expect.stringMatching(/^the name of a field: expected/),
    });
  });

  it('that gives a field twice is refused, except what may be given more than once', () => {
    expect(read('a=1&b=1&a=1')).toEqual({
      ok: false,
      message: 'a: expected once, found more often',
    });
    expect(read('role=1&role=2', ['role'])).toEqual({
      ok: true,
      fields: [
        ['role', '1'],
        ['role', '2'],
      ],
    });
    expect(read('role=1&%72ole=2')).toMatchObject({ ok: false });
  });
});
