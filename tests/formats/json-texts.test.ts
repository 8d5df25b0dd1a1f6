import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { parseJsonDigits, parseJsonTexts } from '../../src/formats/json-texts.js';
import { parseStrictJson } from '../../src/formats/strict-json.js';

const limits = { bytesMax: 1_000_000, depthMax: 16 };
const read = (text: string) => parseJsonTexts(Buffer.from(text), limits);

describe('JSON read as texts', () => {
  it('keeps every number as it was written', () => {
    expect(read('{"a":1E5,"b":[-0.10,1.0,7],"c":"1E5 \\" 2","d":true,"e":null}')).toEqual({
      ok: true,
      value: { a: '1E5', b: ['-0.10', '1.0', '7'], c: '1E5 " 2', d: true, e: null },
    });
  });

  it.each(['{"a":1,"a":2}', '{"a":007}', '{"a":', '\ufeff{}', '{"a":1e999}'])(
    'refuses what strict JSON refuses: %s',
    (text) => {
      expect(read(text)).toMatchObject({ ok: false });
    },
  );

  it('gives the same as JSON.parse with its numbers as texts, whatever the document', () => {
    // JSON.parse and JSON.stringify of the runtime are the reference here.
    const asTexts = (value: unknown): unknown => {
      if (typeof value === 'number') return JSON.stringify(value);
      if (Array.isArray(value)) return value.map(asTexts);
      if (typeof value !== 'object' || value === null) return value;
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, asTexts(v)]));
    };
    fc.assert(
      fc.property(fc.json({ maxDepth: 5 }), (text) => {
        const found = read(text);
        if (!found.ok) return;
        expect(JSON.stringify(found.value)).toBe(JSON.stringify(asTexts(JSON.parse(text))));
      }),
    );
  });
});

describe('JSON read with the digits of long whole numbers', () => {
  const digits = (text: string) => parseJsonDigits(Buffer.from(text), limits);

  it('keeps as text what a double cannot show, and nothing else', () => {
    expect(
      digits(
        '{"a":[9007199254740993,-9007199254740993,9007199254740992,1,0.30000000000000004,1e21]}',
      ),
    ).toEqual({
      ok: true,
      value: { a: ['9007199254740993', '-9007199254740993', 9007199254740992, 1, 0.1 + 0.2, 1e21] },
    });
  });

  it('leaves texts alone, and objects without a prototype', () => {
    const read = digits('{"9007199254740993":"\\" 9007199254740993","__proto__":9007199254740993}');
    expect(read.ok && JSON.stringify(read.value)).toBe(
      '{"9007199254740993":"\\" 9007199254740993","__proto__":"9007199254740993"}',
    );
  });

  it('names the fault at its place in what was sent', () => {
    expect(digits('{"a":9007199254740993,"a":1}')).toEqual(
      parseStrictJson(Buffer.from('{"a":9007199254740993,"a":1}'), limits),
    );
  });
});
