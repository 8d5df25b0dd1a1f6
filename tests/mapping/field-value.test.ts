import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { fieldValue } from '../../src/mapping/field-value.js';
import type { FieldMapping } from '../../src/site/mapping-document.js';

const FIELD: FieldMapping = { to: '/x', from: 'x', required: true, identifier: false, as: 'text' };
const field = (change: Partial<FieldMapping>): FieldMapping => ({ ...FIELD, ...change });
const value = (f: FieldMapping, raw: unknown, table: Record<string, string> | null = null) => {
  const result = fieldValue(f, table, raw);
  return result.ok ? result.value : result.code;
};

describe('identifier fields', () => {
  const identifier = field({ identifier: true });

  it.each([
    'abc',
    'ABC',
    '0001234',
    '1.50',
    '1e5',
    'L-1 ',
    ' x',
    'ÄÖÜ-東京-Ω',
    'e\u0301',
    '\u00e9',
    '12345678901234567890123456789',
    'a/b?c=d&e',
    '<lot>&"\'',
    'x'.repeat(5000),
    '😀',
  ])('go through exactly as they stand: %j', (text) => {
    expect(value(identifier, text)).toBe(text);
  });

  it('rule 24: go through exactly, whatever the text', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary', minLength: 1 }), (text) => {
        expect(value(identifier, text)).toBe(text);
      }),
    );
  });

  it('take a counting number as plain digits', () => {
    expect(value(identifier, 0)).toBe('0');
    expect(value(identifier, 9007199254740991)).toBe('9007199254740991');
  });

  it.each([
    ['empty', ''],
    ['half a pair', 'a\ud800'],
    ['a fraction', 1.5],
    ['beyond exactness', 2 ** 53],
    ['negative', -1],
    ['a boolean', true],
    ['an object', {}],
  ])('refuse %s instead of altering it', (_name, raw) => {
    expect(value(identifier, raw)).toBe('identifier-altered');
  });

  it('rule 24: that are too long are an error, never cut', () => {
    expect(value(field({ identifier: true, maxLength: 3 }), 'abcd')).toBe('too-long');
    expect(value(field({ identifier: true, maxLength: 4 }), 'ab😀d')).toBe('ab😀d');
  });
});

describe('code tables', () => {
  const table = Object.assign(Object.create(null) as Record<string, string>, {
    pass: 'P',
    fail: 'F',
  });

  it('translate a value that has a row and refuse every other', () => {
    const f = field({ table: 't' });
    expect(value(f, 'pass', table)).toBe('P');
    for (const raw of ['Pass', 'pass ', 'aborted', 'constructor', '__proto__', 'toString', '']) {
      expect(value(f, raw, table)).toBe('table-row-missing');
    }
  });

  it('leave null without a value: an error where it is required', () => {
    expect(value(field({ table: 't' }), null, table)).toBe('required-missing');
    expect(value(field({ table: 't', required: false }), null, table)).toBeUndefined();
  });
});

describe('rounding', () => {
  const rounded = (text: string, places: number, rule: 'half-up' | 'half-even') =>
    value(field({ round: { places, rule } }), text);

  it('works on the digits, not on the double nearest to them', () => {
    // USP General Notices 7.20 (round half up) and ASTM E29 / ISO 80000-1 rule A (half even), from memory.
    // 101.55 and 1.005 as doubles lie below the tie: (1.005).toFixed(2) is "1.00".
    expect(rounded('101.55', 1, 'half-up')).toBe('101.6');
    expect(rounded('101.55', 1, 'half-even')).toBe('101.6');
    expect(rounded('101.45', 1, 'half-even')).toBe('101.4');
    expect(rounded('1.005', 2, 'half-up')).toBe('1.01');
    expect(rounded('-2.5', 0, 'half-up')).toBe('-3');
    expect(rounded('0.9', 3, 'half-up')).toBe('0.900');
  });

  it('refuses what is no plain decimal', () => {
    for (const text of ['1e3', '1,5', 'NaN', '', '.5', '+1'])
      expect(rounded(text, 1, 'half-up')).toBe('not-decimal');
  });
});

describe('JSON leaf types', () => {
  it('make a number only of text that comes back digit for digit', () => {
    const number = field({ as: 'number' });
    expect(value(number, '0.25')).toBe(0.25);
    expect(value(number, '17')).toBe(17);
    expect(value(number, 3)).toBe(3);
    for (const text of [
      '0.90',
      '1.0',
      '007',
      '12345678901234567890',
      '0.1234567890123456789',
      '1e3',
      'x',
      '-0',
    ]) {
      expect(value(number, text), text).toBe('number-not-exact');
    }
  });

  it('never yield a number whose JSON differs from the text', () => {
    const decimal = fc.stringMatching(/^-?(?:0|[1-9]\d{0,24})(?:\.\d{1,25})?$/);
    fc.assert(
      fc.property(decimal, (text) => {
        const result = value(field({ as: 'number' }), text);
        expect(result === 'number-not-exact' || JSON.stringify(result) === text).toBe(true);
      }),
    );
  });

  it('make a boolean of true and false only', () => {
    expect(value(field({ as: 'boolean' }), true)).toBe(true);
    expect(value(field({ as: 'boolean' }), 'false')).toBe(false);
    expect(value(field({ as: 'boolean' }), 'yes')).toBe('not-boolean');
  });
});

describe('how many values there are', () => {
  it('is never guessed: several without list are an error', () => {
    expect(value(FIELD, ['a', 'b'])).toBe('several-values');
    expect(value(FIELD, ['a'])).toBe('several-values');
    expect(value(field({ list: true }), ['a'])).toEqual(['a']);
    expect(value(field({ list: true }), 'a')).toEqual(['a']);
    expect(value(field({ list: true, required: false }), undefined)).toEqual([]);
    expect(value(field({ list: true }), [])).toBe('required-missing');
    expect(value(field({ list: true }), ['a', { b: 1 }])).toBe('not-a-leaf');
  });

  it('leaves an absent optional field out and refuses an absent required one', () => {
    expect(value(field({ required: false }), undefined)).toBeUndefined();
    expect(value(FIELD, undefined)).toBe('required-missing');
  });

  it('refuses objects, and numbers without a plain form', () => {
    expect(value(FIELD, { __proto__: null })).toBe('not-a-leaf');
    expect(value(FIELD, 1e21)).toBe('not-decimal');
    expect(value(FIELD, 0.1 + 0.2)).toBe('0.30000000000000004');
  });
});
