import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  containerKey,
  findLabelClashes,
  gs1LabelFault,
  normaliseLabel,
  notOneContainer,
} from '../../src/receipts/label.js';
import { labelHint, nearMisses } from '../../src/receipts/near-miss.js';

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

  it('names labels that differ in nothing that is printed', () => {
    // Zero width space, soft hyphen, word joiner, variation selector (Unicode: Default_Ignorable_Code_Point).
    for (const twin of ['D-01\u200b', 'D-0\u00ad1', '\u2060D-01', 'D-01\ufe0e']) {
      expect(findLabelClashes(['D-01', twin, 'D-02'])).toEqual([
        { normalised: 'D-01', positions: [0, 1] },
      ]);
      // A scan has to show the label as it was announced, all the same.
      expect(containerKey(twin)).not.toBe(containerKey('D-01'));
    }
    expect(findLabelClashes(['D 01', 'D\u200b \u200b01'])).toHaveLength(1);
    expect(findLabelClashes(['D\u200b01', 'D 01'])).toEqual([]);
  });

  it('finds the same container behind two spellings, and behind two labels of one serial number', () => {
    const batch = '(01)09521234543213(10)B1(21)7';
    expect(containerKey(']C1010952123454321310B1\u001d217')).toBe(batch);
    expect(findLabelClashes([batch, ' (21)7 (10)B1 (01)09521234543213', 'D-01'])).toEqual([
      { normalised: '(01)09521234543213(21)7', positions: [0, 1] },
    ]);
    expect(findLabelClashes([batch, '(01)09521234543213(21)7'])).toHaveLength(1);
    expect(findLabelClashes([batch, '(01)09521234543213(10)B1(21)07'])).toEqual([]);
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

  it('counts two neighbours that changed places as one edit', () => {
    expect(nearMisses('D-0132', ['D-0150', 'D-0123', 'D-0231'])[0]).toBe('D-0123');
  });

  it('say of a GS1 label which digits changed places and which check digit fails', () => {
    const known = ['(01)09521234543213(10)B1(21)0007', '(01)09521234543213(10)B1(21)0008'];
    const hint = labelHint('(01)09521234542313(10)B1(21)0007', known);
    expect(hint).toBe(
      'character 18: check digit of (01) GTIN is 3, expected 5; near: (01)09521234543213(10)B1(21)0007, (01)09521234543213(10)B1(21)0008',
    );
    expect(labelHint(']d2010952123454321310B1\u001d210070', known)).toBe(
      `near: ${known[0]}, ${known[1]}`,
    );
    expect(labelHint('X-99', known)).toBe('');
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
    expect(notOneContainer('(91)DRUM-7')).toBeNull();
  });

  it('refuses in every spelling, also where a reader left the symbology out', () => {
    expect(notOneContainer(']C100106141410000000019')).toContain('pallet');
    expect(notOneContainer('010952123454321310ABC1')).toContain('batch');
    expect(notOneContainer(']d20109521234543213')).toContain('batch');
    expect(notOneContainer('(00)106141410000000019(01)09521234543213(21)1')).toContain('pallet');
    expect(notOneContainer('(10)ABC1')).toContain('no single container');
  });

  it('names what is wrong with a label that is in GS1 form', () => {
    expect(gs1LabelFault('(00)106141410000000018')).toContain('expected 9');
    expect(gs1LabelFault('D-01')).toBeNull();
  });
});
