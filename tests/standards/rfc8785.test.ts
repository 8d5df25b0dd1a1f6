import canonicalize from 'canonicalize';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { canonicalDigest, canonicalJson } from '../../src/formats/canonical-json.js';
import { parseStrictJson } from '../../src/formats/strict-json.js';

/** RFC 8785 (JSON Canonicalization Scheme); vectors of the RFC and of its public test data. */
const canonicalOf = (text: string) => {
  const parsed = parseStrictJson(Buffer.from(text), { bytesMax: 10_000, depthMax: 32 });
  if (!parsed.ok) throw new Error(parsed.fault.message);
  return canonicalJson(parsed.value);
};

function double(hex: string): number {
  return Buffer.from(hex, 'hex').readDoubleBE();
}

describe('the canonical form of RFC 8785', () => {
  it('is the one of the example in section 3.2.2', () => {
    const input = String.raw`{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}`;
    expect(canonicalOf(input)).toBe(
      String.raw`{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`,
    );
  });

  it('sorts keys by UTF-16 code units, as in section 3.2.3', () => {
    const keys = ['\u20ac', '\r', '\ufb33', '1', '\u{1f600}', '\u0080', '\u00f6'];
    const sorted = ['\r', '1', '\u0080', '\u00f6', '\u20ac', '\u{1f600}', '\ufb33'];
    const text = canonicalJson(Object.fromEntries(keys.map((key) => [key, 0])));
    expect(Object.keys(JSON.parse(text)).filter((key) => key !== '1')).toEqual(
      sorted.filter((key) => key !== '1'),
    );
    expect(text.indexOf('"1"')).toBeGreaterThan(text.indexOf('"\\r"'));
    expect(text.indexOf('"1"')).toBeLessThan(text.indexOf('"\u0080"'));
  });

  it('writes numbers as ECMAScript does, with the digest computed independently', () => {
    const value = { b: 1, a: -0, n: 1e21, m: 1e-7, z: 0.000001 };
    expect(canonicalJson(value)).toBe('{"a":0,"b":1,"m":1e-7,"n":1e+21,"z":0.000001}');
    expect(canonicalDigest(value)).toBe(
      '7fe7286aa087e7d5289e73fb37b40d3cffa73a0907de1e3c943a3fb56c29e602',
    );
  });

  it.each([
    ['0000000000000000', '0'],
    ['8000000000000000', '0'],
    ['0000000000000001', '5e-324'],
    ['7fefffffffffffff', '1.7976931348623157e+308'],
    ['4340000000000000', '9007199254740992'],
    ['4430000000000000', '295147905179352830000'],
    ['44b52d02c7e14af6', '1e+23'],
    ['444b1ae4d6e2ef50', '1e+21'],
    ['3eb0c6f7a0b5ed8d', '0.000001'],
    ['41b3de4355555555', '333333333.3333333'],
    ['becbf647612f3696', '-0.0000033333333333333333'],
    ['43143ff3c1cb0959', '1424953923781206.2'],
  ])('writes the double %s of appendix B as %s', (hex, text) => {
    expect(canonicalJson(double(hex))).toBe(text);
  });

  it('agrees with an independent implementation, canonicalize, on any JSON', () => {
    const keys = fc.oneof(
      fc.string(),
      fc.constantFrom('10', '9', '__proto__', 'toJSON', '\\ud800', ''),
    );
    const values = fc.letrec((tie) => ({
      value: fc.oneof(
        { depthSize: 'small' },
        fc.jsonValue({ maxDepth: 0, stringUnit: 'binary' }),
        fc.double({ noNaN: true, noDefaultInfinity: true }),
        fc.constantFrom('\\ud800', '\u2028', '\u007f', '😀'),
        fc.array(tie('value'), { maxLength: 4 }),
        fc.dictionary(keys, tie('value'), { maxKeys: 6 }),
      ),
    })).value;
    fc.assert(
      fc.property(values, (value) => {
        expect(canonicalJson(value)).toBe(canonicalize(value));
      }),
      { numRuns: 1000 },
    );
  });

  it('drops members without a value and keeps places in lists, as the library does', () => {
    const value = { b: undefined, a: [undefined, 1], c: new Date(0), 2: 'x', 10: 'y' };
    expect(canonicalJson(value)).toBe(canonicalize(value));
  });

  it('refuses what has no form: NaN, infinity, lone surrogates', () => {
    expect(() => canonicalJson({ a: Number.NaN })).toThrow();
    expect(() => canonicalJson([Number.POSITIVE_INFINITY])).toThrow();
    expect(() => canonicalJson('\ud800')).toThrow();
  });

  it('is never taken of a document with a key twice, since the parser refuses it', () => {
    expect(() => canonicalOf('{"a":1,"a":2}')).toThrow('stands here again');
  });
});
