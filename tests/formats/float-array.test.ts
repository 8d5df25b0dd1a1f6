import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decodeFloats, encodeFloats } from '../../src/formats/float-array.js';

describe('arrays of floats in base64', () => {
  it('are IEEE 754, little-endian', () => {
    // IEEE 754: 1.0 is 3F800000 and 3FF0000000000000, -2.0 is C0000000.
    expect(Buffer.from(encodeFloats([1, -2], 'float32'), 'base64').toString('hex')).toBe(
      '0000803f000000c0',
    );
    expect(Buffer.from(encodeFloats([1], 'float64'), 'base64').toString('hex')).toBe(
      '000000000000f03f',
    );
  });

  it('come back bit for bit, infinities, negative zero and subnormals included', () => {
    fc.assert(
      fc.property(fc.array(fc.double({ noNaN: true })), (values) => {
        const wide = decodeFloats(encodeFloats(values, 'float64'), 'float64', values.length);
        expect(wide.ok && Array.from(wide.values)).toEqual(values);
        const narrow = decodeFloats(encodeFloats(values, 'float32'), 'float32', values.length);
        expect(narrow.ok && Array.from(narrow.values)).toEqual(values.map(Math.fround));
      }),
    );
  });

  it.each([
    ['AACAPw==', 2, 'expected 12 base64 characters for 2 float32 values, found 8'],
    ['AACA_w==', 1, 'the character "_" at position 4'],
    ['AACA w==', 1, 'the character " " at position 4'],
    ['A=CAPw==', 1, 'padding at position 1'],
    // Last bits that are not zero: RFC 4648 section 3.5.
    ['AACAPx==', 1, 'that no encoder writes'],
    ['', 1, 'found 0'],
  ])('refuses %j for %d values', (text, points, message) => {
    const decoded = decodeFloats(text, 'float32', points);
    expect(decoded.ok ? null : decoded.message).toContain(message);
  });

  it('never throw, and take one text only for one array', () => {
    fc.assert(
      fc.property(fc.string({ maxLength: 40 }), fc.nat(4), (text, points) => {
        const decoded = decodeFloats(text, 'float32', points);
        if (decoded.ok) expect(encodeFloats(decoded.values, 'float32')).toBe(text);
      }),
    );
  });
});
