import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { parseJsonTexts } from '../../src/formats/json-texts.js';

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
