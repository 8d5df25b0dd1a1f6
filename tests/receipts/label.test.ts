import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  findLabelClashes,
  nearMisses,
  normaliseLabel,
  notOneContainer,
} from '../../src/receipts/label.js';

describe('label normalisation', () => {
  it('trims, composes and makes runs of blanks one, and changes nothing else', () => {
    expect(normaliseLabel('  D\u00a0 01\t')).toBe('D 01');
    // Source: Unicode Standard Annex 15, canonical composition of U+0065 U+0301.
    expect(normaliseLabel('Caf\u0065\u0301')).toBe('Caf\u00e9');
    expect(normaliseLabel('d-01')).not.toBe(normaliseLabel('D-01'));
    expect(normaliseLabel('D-1')).not.toBe(normaliseLabel('D-01'));
    // Compatibility forms stay apart: NFC, not NFKC.
    expect(normaliseLabel('\u2460')).toBe('\u2460');
  });

  it('is done after one pass', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary' }), (text) => {
        expect(normaliseLabel(normaliseLabel(text))).toBe(normaliseLabel(text));
      }),
    );
  });

  it('names labels that it cannot tell apart, with their places', () => {
    expect(findLabelClashes(['D-01', 'D-02', ' D-01', 'D-02', 'D-03'])).toEqual([
      { normalised: 'D-01', positions: [0, 2] },
      { normalised: 'D-02', positions: [1, 3] },
    ]);
    expect(findLabelClashes(['D-01', 'D-1', 'd-01'])).toEqual([]);
  });
});

describe('near misses', () => {
  it('suggests labels with mistaken signs or few edits, closest first, at most five', () => {
    expect(nearMisses('D-O1', ['D-01', 'D-11', 'X-99'])).toEqual(['D-01', 'D-11']);
    expect(nearMisses('D 01', ['D-01'])).toEqual(['D-01']);
    expect(nearMisses('4711', ['9999'])).toEqual([]);
    expect(
      nearMisses(
        'D-10',
        Array.from({ length: 50 }, (_, i) => `D-${i}`),
      ),
    ).toHaveLength(5);
    expect(nearMisses(' ', ['D-01'])).toEqual([]);
  });
});

describe('labels that name more than one container', () => {
  it('refuses a pallet and a GTIN without serial', () => {
    // Check digit worked by hand by the GS1 rule (weights 3 and 1 from the right), from memory:
    // 10614141000000001 gives 9.
    expect(notOneContainer('(00)106141410000000019')).toContain('pallet');
    expect(notOneContainer('00106141410000000019')).toContain('pallet');
    expect(notOneContainer('(01)09521234543213(10)ABC1')).toContain('batch');
  });

  it('takes a GTIN with serial, a plain number and an SSCC form with a wrong check digit', () => {
    expect(notOneContainer('(01)09521234543213(10)ABC1(21)0001')).toBeNull();
    expect(notOneContainer('00106141410000000018')).toBeNull();
    expect(notOneContainer('D-01')).toBeNull();
  });
});
