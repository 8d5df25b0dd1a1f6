import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { listsAgree, valuesAgree } from '../../src/delivery/equivalence.js';

describe('valuesAgree', () => {
  it.each([
    ['exact', 'LOT-1', 'LOT-1', true],
    ['exact', 'LOT-1', 'LOT-1 ', false],
    ['exact', 'LOT-1', 'lot-1', false],
    ['exact', '0012', '12', false],
    ['text', 'LOT-1', '  LOT-1\n', true],
    ['text', 'LOT 1', 'LOT  1', false],
    ['text', 'LOT-1', 'lot-1', false],
    ['decimal', '1.50', '1.5', true],
    ['decimal', '0.9731', '0.97310', true],
    ['decimal', '0.9731', '0.9732', false],
    ['decimal', '1e-7', '0.0000001', true],
    ['decimal', '1.5E+2', '150', true],
    ['decimal', '+7', '007', true],
    ['decimal', '-0', '0', true],
    ['decimal', '12,5', '12.5', false],
    ['decimal', 'n/a', 'N/A', false],
    ['decimal', '0.1', '0.1000000000000000055', false],
    ['instant', '2026-03-04T09:15:30+01:00', '2026-03-04T08:15:30Z', true],
    ['instant', '2026-03-04T09:15:30.250Z', '2026-03-04T09:15:30.25+00:00', true],
    ['instant', '2026-03-04T09:15:30Z', '2026-03-04T09:15:31Z', false],
    ['instant', '2026-03-04T09:15:30Z', '2026-03-04 09:15:30', false],
  ] as const)('as %s: %j and %j are equal: %s', (as, sent, held, expected) => {
    expect(valuesAgree(sent, held, as)).toBe(expected);
    expect(valuesAgree(held, sent, as)).toBe(expected);
  });

  it('compares integers as JavaScript does when they are padded with zeros', () => {
    const agrees = fc.property(fc.maxSafeInteger(), fc.maxSafeInteger(), (a, b) => {
      expect(valuesAgree(`${a}.000`, String(b), 'decimal')).toBe(a === b);
      expect(valuesAgree(`${a}.000`, String(a), 'decimal')).toBe(true);
    });
    fc.assert(agrees);
  });
});

describe('listsAgree', () => {
  it('wants the same length and order', () => {
    expect(listsAgree(['C-1', 'C-2'], ['C-1', 'C-2'], 'exact')).toBe(true);
    expect(listsAgree(['C-1', 'C-2'], ['C-2', 'C-1'], 'exact')).toBe(false);
    expect(listsAgree(['C-1'], ['C-1', 'C-2'], 'exact')).toBe(false);
    expect(listsAgree([], [''], 'exact')).toBe(false);
  });
});
