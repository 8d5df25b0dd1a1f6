import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  canonicalElementString,
  elementData,
  readElementString,
} from '../../src/formats/gs1-element-string.js';
import {
  gs1CheckDigit,
  gs1Identifier,
  gs1IdentifierAt,
} from '../../src/formats/gs1-identifiers.js';

const GS = '\u001d';

function canonical(text: string): string {
  const reading = readElementString(text);
  if (reading.kind !== 'elements') throw new Error(JSON.stringify(reading));
  return canonicalElementString(reading.elements);
}

function fault(text: string): string {
  const reading = readElementString(text);
  return reading.kind === 'fault' ? `${reading.fault.at}: ${reading.fault.message}` : reading.kind;
}

describe('GS1 check digit', () => {
  it.each([
    // GS1 Hong Kong, check digit calculator, worked example of the 13 digit field (gs1hk.org).
    ['629104150021', '3'],
    // GS1 India, how to calculate the check digit (gs1india.org).
    ['890400021003', '7'],
    // GS1 Sweden, så beräknas kontrollsiffran (gs1.se).
    ['730001100001', '7'],
    // GTIN-14 of the example in the General Specifications and in BWIPP's manual.
    ['0952123454321', '3'],
    // SSCC: from memory, GS1's page on calculating a check digit by hand.
    ['37610425002123456', '9'],
  ])('of %s is %s', (digits, expected) => {
    expect(gs1CheckDigit(digits)).toBe(expected);
  });

  it('finds every single wrong digit, and every transposition of neighbours that do not differ by five', () => {
    const gtin = fc.stringMatching(/^\d{13}$/).map((digits) => `${digits}${gs1CheckDigit(digits)}`);
    const holds = (digits: string) => digits.endsWith(gs1CheckDigit(digits.slice(0, -1)));
    fc.assert(
      fc.property(gtin, fc.nat(13), fc.integer({ min: 1, max: 9 }), (digits, at, by) => {
        const wrong = (Number(digits[at]) + by) % 10;
        expect(holds(`${digits.slice(0, at)}${wrong}${digits.slice(at + 1)}`)).toBe(false);
      }),
    );
    fc.assert(
      fc.property(gtin, fc.nat(12), (digits, at) => {
        const [a = '', b = ''] = [digits[at], digits[at + 1]];
        const swapped = `${digits.slice(0, at)}${b}${a}${digits.slice(at + 2)}`;
        const isSeen = Math.abs(Number(a) - Number(b)) % 5 !== 0;
        expect(holds(swapped)).toBe(!isSeen);
      }),
    );
  });
});

describe('GS1 application identifiers', () => {
  it('are as the syntax dictionary prints them', () => {
    // Source: GS1 Barcode Syntax Dictionary (gs1/gs1-syntax-dictionary), rows copied as facts.
    const rows = [
      ['00', 'N', 18, 18, true],
      ['01', 'N', 14, 14, true],
      ['10', 'X', 1, 20, false],
      ['17', 'N', 6, 6, true],
      ['21', 'X', 1, 20, false],
      ['240', 'X', 1, 30, false],
      ['30', 'N', 1, 8, false],
      ['37', 'N', 1, 8, false],
      ['3103', 'N', 6, 6, true],
      ['3575', 'N', 6, 6, true],
      ['414', 'N', 13, 13, true],
      ['99', 'X', 1, 90, false],
    ] as const;
    for (const [ai, content, lengthMin, lengthMax, isPredefined] of rows) {
      expect(gs1Identifier(ai)).toMatchObject({ content, lengthMin, lengthMax, isPredefined });
    }
    for (const ai of ['3106', '3180', '3380', '3580', '14', '05']) {
      expect(gs1IdentifierAt(ai, 0)).toBeNull();
    }
  });
});

describe('an element string', () => {
  // Source: BWIPP manual, "GS1 Application Identifier Standard Format": one string in three spellings.
  const bracketed = '(01)09521234543213(17)100101(10)123ABC(21)1234567890';
  const plain = `01095212345432131710010110123ABC${GS}211234567890`;

  it('is the same in brackets, as a reader transmits it, and in any order', () => {
    expect(canonical(`]C1${plain}`)).toBe(canonical(bracketed));
    for (const symbology of [']d2', ']Q3', ']e0', ']J1', '']) {
      expect(canonical(`${symbology}${plain}`)).toBe(canonical(bracketed));
    }
    expect(canonical('(10) 123ABC (01) 0952 1234 5432 13 (21)1234567890(17)100101')).toBe(
      canonical(bracketed),
    );
    expect(canonical(`]d2${GS}01095212345432132112${GS}`)).toBe('(01)09521234543213(21)12');
    expect(canonical(bracketed)).toBe('(01)09521234543213(10)123ABC(17)100101(21)1234567890');
  });

  it('keeps zeros and case, so that two serial numbers never become one', () => {
    // Digits in groups are the same digits; a blank within text is a fault, and no other label without it.
    expect(canonical('(01) 0952 1234 5432 13 (21) 12 ')).toBe('(01)09521234543213(21)12');
    expect(fault('(01)09521234543213(21)7 11')).toContain('holds U+0020');
    expect(fault('(01)09521234543213(10)A B')).toContain('holds U+0020');
    expect(canonical('(01)09521234543213(21)01')).not.toBe(canonical('(01)09521234543213(21)1'));
    expect(canonical('(01)09521234543213(21)a')).not.toBe(canonical('(01)09521234543213(21)A'));
  });

  it('names place and reason of what is wrong', () => {
    expect(fault('(01)09521234543214(21)1')).toBe('18: check digit of (01) GTIN is 4, expected 3');
    expect(fault('(01)0952123454321(21)1')).toBe('5: (01) GTIN has 13 characters, expected 14');
    expect(fault(']C1010952123454321')).toBe('6: (01) GTIN has 13 characters, expected 14');
    expect(fault('(01)09521234543213(17)101332')).toBe(
      '23: (17) expiry date is "101332", expected YYMMDD',
    );
    expect(fault('(01)0952123454321A(21)1')).toBe('5: (01) GTIN holds U+0041, expected digits');
    expect(fault('(01)09521234543213(21)Ä')).toContain('holds U+00C4');
    expect(fault('(01)09521234543213(14)1')).toBe(
      '19: found "(14)1", expected an application identifier',
    );
    expect(fault('(21)A(21)B')).toBe('10: (21) stands twice, as "A" and "B"');
    expect(fault(`]d2${'1'.repeat(30)}`)).toContain('(11) stands twice');
  });

  it('is not what only looks like one', () => {
    for (const text of [
      'D-01',
      '(A) 12',
      '4711',
      '0109521234543214211',
      '00106141410000000018',
      ']C0A',
    ]) {
      expect(readElementString(text)).toEqual({ kind: 'not-gs1' });
    }
    expect(readElementString('00106141410000000019').kind).toBe('elements');
  });

  it('with a bracket in its data never becomes another one', () => {
    const withBracket = ']d2010952123454321321A(10)B';
    expect(canonical(withBracket)).toBe('(01)09521234543213(21)A\\(10)B');
    expect(canonical(canonical(withBracket))).toBe(canonical(withBracket));
    expect(canonical(withBracket)).not.toBe(canonical('(01)09521234543213(21)A(10)B'));
  });

  it('property: plain and bracketed spelling of the same elements agree, others differ', () => {
    const data = fc.stringMatching(/^[!"%&'()*+,\-./0-9:;<=>?A-Z_a-z]{1,20}$/);
    const gtin = fc.stringMatching(/^\d{13}$/).map((d) => `${d}${gs1CheckDigit(d)}`);
    const elements = fc.record({ gtin, batch: data, serial: data });
    const read = ({ gtin, batch, serial }: { gtin: string; batch: string; serial: string }) =>
      canonical(`]C101${gtin}10${batch}${GS}21${serial}`);
    fc.assert(
      fc.property(elements, elements, (a, b) => {
        const text = read(a);
        expect(canonical(text)).toBe(text);
        const reading = readElementString(text);
        if (reading.kind !== 'elements') throw new Error(text);
        expect(elementData(reading.elements, '21')).toBe(a.serial);
        expect(text === read(b)).toBe(JSON.stringify(a) === JSON.stringify(b));
      }),
    );
  });

  it('property: any text is read without an exception', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary', maxLength: 60 }), (text) => {
        for (const prefix of ['', ']d2', '(01)', '01']) readElementString(`${prefix}${text}`);
      }),
    );
  });
});
