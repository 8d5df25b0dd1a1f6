import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { parseStrictJson } from '../../src/formats/strict-json.js';

const LIMITS = { bytesMax: 1_000_000, depthMax: 32 };

const parse = (text: string | Uint8Array) =>
  parseStrictJson(typeof text === 'string' ? Buffer.from(text) : text, LIMITS);

function faultOf(text: string | Uint8Array) {
  const parsed = parse(text);
  if (parsed.ok) throw new Error(`taken: ${JSON.stringify(parsed.value)}`);
  const { rule, place } = parsed.fault;
  expect(parsed.fault.remedy).not.toBe('');
  return `${rule} ${place.pointer} line ${place.line} byte ${place.byteOffset}`;
}

describe('strict JSON', () => {
  it('reads what JSON.parse reads, whatever the document', () => {
    fc.assert(
      fc.property(fc.jsonValue({ maxDepth: 10 }), fc.constantFrom(0, 2), (value, indent) => {
        const text = JSON.stringify(value, null, indent);
        if (Buffer.from(text).length > LIMITS.bytesMax || hasLoneSurrogate(text)) return;
        const parsed = parse(text);
        expect(parsed.ok && JSON.stringify(parsed.value)).toBe(JSON.stringify(JSON.parse(text)));
      }),
    );
  });

  it('never throws, and takes no text that JSON.parse refuses', () => {
    const pieces = fc.constantFrom(
      '{',
      '}',
      '[',
      ']',
      ',',
      ':',
      '"',
      '\\',
      '\\u12',
      'a',
      '1',
      '-',
      '.',
      'e',
      '0',
      'true',
      'nul',
      ' ',
      '\n',
      '\u0001',
      '😀',
    );
    fc.assert(
      fc.property(fc.array(pieces, { maxLength: 30 }), (parts) => {
        const text = parts.join('');
        const parsed = parse(text);
        if (parsed.ok) expect(() => JSON.parse(text)).not.toThrow();
        else if (parsed.fault.rule === 'syntax') expect(() => JSON.parse(text)).toThrow();
      }),
      { numRuns: 2000 },
    );
  });

  it('never throws on any bytes', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 60 }), (bytes) => {
        expect(parse(bytes).ok).toBeTypeOf('boolean');
      }),
    );
  });

  it.each([
    ['{"a":1,"a":1}', 'duplicate-key /a line 1 byte 7'],
    ['{"a":{"b":[{"c":1,"d":2,"c":3}]}}', 'duplicate-key /a/b/0/c line 1 byte 24'],
    // The same key, written once with an escape.
    ['{"a":1,"\\u0061":2}', 'duplicate-key /a line 1 byte 7'],
    ['{"é":1,\n"é":2}', 'duplicate-key /é line 2 byte 9'],
    ['{"a/b~":1,"a/b~":2}', 'duplicate-key /a~1b~0 line 1 byte 10'],
    ['{"__proto__":1,"__proto__":2}', 'duplicate-key /__proto__ line 1 byte 15'],
    [
      `{${Array.from({ length: 40 }, (_, i) => `"k${i}":0`).join(',')},"k3":0}`,
      'duplicate-key /k3 line 1 byte 311',
    ],
  ])('refuses a key twice: %s', (text, fault) => {
    expect(faultOf(text)).toBe(fault);
  });

  it('takes the same key in two objects', () => {
    expect(parse('[{"a":1},{"a":{"a":2}}]').ok).toBe(true);
  });

  it.each([
    ['"\\ud800"', 'surrogate  line 1 byte 1'],
    ['["\\ud83d\\ude00","\\ude00\\ud83d"]', 'surrogate /1 line 1 byte 17'],
    ['"\\ud83dx"', 'surrogate  line 1 byte 1'],
    ['1e999', 'number  line 1 byte 0'],
    ['{"a":-1e400}', 'number /a line 1 byte 5'],
    [`[${'9'.repeat(400)}]`, 'number /0 line 1 byte 1'],
    ['{"a":"x\ny"}', 'syntax  line 1 byte 7'],
    ['{"a":"\\n\ty"}', 'syntax /a line 1 byte 8'],
    ['[1,]', 'syntax /1 line 1 byte 3'],
    ['[01]', 'syntax /0 line 1 byte 1'],
    ['[1.]', 'syntax /0 line 1 byte 3'],
    ['[+1]', 'syntax /0 line 1 byte 1'],
    ['[NaN]', 'syntax /0 line 1 byte 1'],
    ['{a:1}', 'syntax  line 1 byte 1'],
    ['{"a" 1}', 'syntax /a line 1 byte 5'],
    ['"\\x"', 'syntax  line 1 byte 1'],
    ['"abc', 'syntax  line 1 byte 0'],
    ['{}\n{}', 'syntax  line 2 byte 3'],
    ['', 'syntax  line 1 byte 0'],
    ['\ufeff{}', 'byte-order-mark  line 1 byte 0'],
  ])('names rule and place of %j', (text, fault) => {
    expect(faultOf(text)).toBe(fault);
  });

  it('refuses bytes that are not UTF-8, at the first of them', () => {
    const good = Buffer.from('{"a":"é\ufffd"}\n');
    expect(faultOf(Buffer.concat([good, Buffer.from([0xc3, 0x28])]))).toBe(
      `encoding  line 2 byte ${good.length}`,
    );
    // An encoded surrogate and an overlong form (RFC 3629 section 3) are no UTF-8 either.
    expect(faultOf(Buffer.from([0x22, 0xed, 0xa0, 0x80, 0x22]))).toContain('encoding');
    expect(faultOf(Buffer.from([0x22, 0xc0, 0xaf, 0x22]))).toContain('encoding');
  });

  it('takes exactly as many levels as allowed', () => {
    const nested = (levels: number) => '['.repeat(levels) + ']'.repeat(levels);
    expect(parse(nested(32)).ok).toBe(true);
    expect(faultOf(nested(33))).toBe(`depth ${'/0'.repeat(32)} line 1 byte 32`);
    expect(faultOf('{"a":'.repeat(100_000))).toContain('depth');
  });

  it('refuses more bytes than allowed before it reads any', () => {
    const fault = parseStrictJson(Buffer.from('[1, 2]'), { bytesMax: 5, depthMax: 2 });
    expect(fault.ok ? null : fault.fault.message).toBe('6 bytes, the limit is 5 (line 1, byte 0)');
  });

  it('gives objects without a prototype at every depth', () => {
    const parsed = parse('{"__proto__":{"x":1},"a":[1,{"constructor":[{"b":2}]},3]}');
    if (!parsed.ok) throw new Error(parsed.fault.message);
    const value = parsed.value as { a: [number, { constructor: [object] }] };
    expect(Object.getPrototypeOf(value)).toBeNull();
    expect(Object.keys(value)).toEqual(['__proto__', 'a']);
    expect(Object.getPrototypeOf(value.a[1])).toBeNull();
    expect(Object.getPrototypeOf(value.a[1].constructor[0])).toBeNull();
    expect(({} as Record<string, unknown>).x).toBeUndefined();
  });

  it('keeps long strings with escapes behind long strings without', () => {
    const value = { a: 'A'.repeat(5000), b: `${'B'.repeat(40)}"\\\n😀`, c: ['C'.repeat(100), ''] };
    const parsed = parse(JSON.stringify(value));
    expect(parsed.ok && JSON.parse(JSON.stringify(parsed.value))).toEqual(value);
  });
});

function hasLoneSurrogate(text: string): boolean {
  return /\\ud[89a-f]/i.test(text);
}
