import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { JCAMP_LIMITS, type JcampBlock, jcampValue } from '../../src/formats/jcamp.js';
import { encodeOrdinates, type OrdinateForm } from '../../src/formats/jcamp-encode.js';
import { decodeOrdinates } from '../../src/formats/jcamp-ordinates.js';
import { readJcamp } from '../../src/formats/jcamp-reader.js';
import { readOpenJcamp } from '../../src/formats/jcamp-spectra.js';
import { type JcampSpectrum, writeJcamp } from '../../src/formats/jcamp-writer.js';

const bytes = (text: string) => Buffer.from(text, 'latin1');
const decode = (...lines: string[]) =>
  decodeOrdinates(
    lines.map((text, index) => ({ text, line: index + 1 })),
    1000,
  ).values;

function file(lines: readonly string[], heads: readonly string[] = []): string {
  const fixed = ['##TITLE= t', '##JCAMP-DX= 4.24', '##FIRSTX= 100', '##XFACTOR= 1', '##YFACTOR= 1'];
  return [...fixed, ...heads, '##XYDATA= (X++(Y..Y))', ...lines, '##END='].join('\r\n');
}

function refusal(text: string, limits = JCAMP_LIMITS) {
  const read = readJcamp(bytes(text), limits);
  if (read.ok) throw new Error('it was read');
  return read.fault;
}

function accepted(text: string): JcampBlock {
  const read = readJcamp(bytes(text));
  if (!read.ok) throw new Error(`line ${read.fault.line}: ${read.fault.message}`);
  return read.block;
}

/** McDonald and Wilks, Applied Spectroscopy 42 (1988) 151: the paper's ten ordinates in five spellings. */
const PAPER = [1, 2, 3, 3, 2, 1, 0, -1, -2, -3];

describe('the ordinates of a table', () => {
  it.each([
    ['AFFN', '100 1 2 3 3 2 1 0 -1 -2 -3'],
    ['PAC', '100+1+2+3+3+2+1+0-1-2-3'],
    ['SQZ', '100ABCCBA@abc'],
    ['DIF', '100AJJ%jjjjjj'],
    ['DIF and DUP', '100AJJ%jX'],
  ])('are the published ten in the form %s', (_form, line) => {
    expect(decode(line)).toEqual(PAPER);
  });

  it('go over several lines, each begun by the last value of the one before', () => {
    expect(decode('100AJJ%', '103CjX', '109c')).toEqual(PAPER);
  });

  it('repeat a difference after DIF and a value after SQZ', () => {
    expect(decode('100A2JJ%jX')).toEqual([12, 13, 14, 14, 13, 12, 11, 10, 9, 8]);
    expect(decode('100@%S0')).toEqual(Array.from({ length: 11 }, () => 0));
    expect(decode('100A5V')).toEqual([15, 15, 15, 15]);
  });

  it('have no check behind a line that ends in SQZ or AFFN', () => {
    expect(decode('100AB', '102CD')).toEqual([1, 2, 3, 4]);
    expect(decode('100 1 2', '102 3 4')).toEqual([1, 2, 3, 4]);
    expect(decode('100AT', '102CD')).toEqual([1, 1, 3, 4]);
  });

  it('take an exponent with its sign, and E behind a digit otherwise as a squeezed 5', () => {
    expect(decode('100 1.5E+2 2E-1')).toEqual([150, 0.2]);
    expect(decode('100E1F2')).toEqual([51, 62]);
  });

  it.each([
    ['a check that fails', ['100AJJ%', '103BjX'], 2, 'DIF check fails: expected 3'],
    [
      'a check that is missing',
      ['100AJJ%', '103JJ'],
      2,
      'expected the last value of the line before',
    ],
    ['a hole', ['100 1 ? 3'], 1, 'a point that is missing'],
    ['DUP with nothing before it', ['100T'], 1, 'DUP with nothing before it'],
    ['DIF with nothing before it', ['100J'], 1, 'DIF with no value before it'],
    ['a line without ordinates', ['100'], 1, 'expected an ordinate'],
    ['text', ['100 1 2 x'], 1, 'expected an ordinate, found "x"'],
    ['a number with two points', ['100 1.2.3 4'], 1, 'expected a number, found "1.2.3 4"'],
    ['a squeezed number with a fraction', ['100A2.5'], 1, 'expected a whole number behind "A"'],
    ['an exponent past every double', ['100 1E+1000'], 1, 'expected a number, found "1E+1000"'],
    ['a repetition past the number of points', ['100AS999999999'], 1, 'DUP of 1999999999'],
    [
      'sums that a double does not hold',
      ['100I99999999999999R99999999999999S5'],
      1,
      'expected sums up to',
    ],
  ])('are refused with line and reason: %s', (_what, lines, line, message) => {
    expect(() => decode(...lines)).toThrow(message);
    try {
      decode(...lines);
    } catch (error) {
      expect(error).toMatchObject({ fault: { line } });
    }
  });

  it.each<OrdinateForm>(['affn', 'pac', 'sqz', 'dif', 'dif-dup'])(
    'come back from the form %s, in lines of at most 80 columns',
    (form) => {
      const value = fc.oneof(
        fc.integer({ min: -2147483647, max: 2147483647 }),
        fc.integer({ min: -3, max: 3 }),
      );
      const runs = fc.array(fc.tuple(value, fc.integer({ min: 1, max: 30 })), {
        minLength: 1,
        maxLength: 60,
      });
      fc.assert(
        fc.property(runs, (groups) => {
          const values = groups.flatMap(([one, times]) => Array.from({ length: times }, () => one));
          const lines = encodeOrdinates(values, form, (i) => String(100 + i));
          expect(Math.max(...lines.map((line) => line.length))).toBeLessThanOrEqual(80);
          const numbered = lines.map((text, index) => ({ text, line: index + 1 }));
          const found = decodeOrdinates(numbered, values.length);
          expect(found.values).toEqual(values.map((v) => (v === 0 ? 0 : v)));
          for (const { x, point } of found.lines) expect(x).toBe(100 + point);
        }),
      );
    },
  );

  it('are written as the paper writes them', () => {
    const lines = (form: OrdinateForm) => encodeOrdinates(PAPER, form, (i) => String(100 + i));
    expect(lines('affn')).toEqual(['100 1 2 3 3 2 1 0 -1 -2 -3']);
    expect(lines('pac')).toEqual(['100+1+2+3+3+2+1+0-1-2-3']);
    expect(lines('sqz')).toEqual(['100ABCCBA@abc']);
    expect(lines('dif')).toEqual(['100AJJ%jjjjjj', '109c']);
    expect(lines('dif-dup')).toEqual(['100AJJ%jX', '109c']);
  });

  it('refuse numbers that their form cannot hold', () => {
    expect(() => encodeOrdinates([1, 0.5], 'dif', String)).toThrow(
      'point 1: expected a whole number',
    );
    expect(() => encodeOrdinates([Number.NaN], 'affn', String)).toThrow('expected a finite number');
  });
});

describe('a JCAMP-DX file', () => {
  it('has one label however it is spelt', () => {
    for (const label of ['DATATYPE', 'Data Type', 'DATA-TYPE', 'data_type', 'DATA/TYPE']) {
      const block = accepted(file(['100 1 2'], [`##${label}= RAMAN SPECTRUM`]));
      expect(jcampValue(block, 'DATATYPE')).toBe('RAMAN SPECTRUM');
    }
  });

  it('is refused when it has other points than it declares', () => {
    for (const count of [9, 11]) {
      const fault = refusal(file(['100 1 2 3 3 2 1 0 -1 -2 -3'], [`##NPOINTS= ${count}`]));
      expect(fault.message).toContain(`expected ${count === 9 ? 'at most 9 points' : '11 points'}`);
    }
  });

  it('does not take a decimal comma for one', () => {
    const fault = refusal(file(['100 1,5 2,5'], ['##NPOINTS= 2']));
    expect(fault).toMatchObject({ line: 8, message: 'expected at most 2 points, found more' });
  });

  it('decodes nothing past the points it declares, nor past the limit', () => {
    expect(refusal(file(['100AS99999999'], ['##NPOINTS= 5'])).message).toContain(
      'at most 5 points',
    );
    const limits = { ...JCAMP_LIMITS, pointsMax: 50 };
    expect(refusal(file(['100A'], ['##NPOINTS= 51']), limits).message).toContain('NPOINTS says 51');
    expect(refusal(file(['100AS99']), limits).message).toContain('at most 50 points');
  });

  it.each([
    ['nothing', '', 1, 'found no labelled record'],
    ['another text', 'hello', 1, 'expected ##TITLE= first'],
    ['another first record', '##JCAMP-DX= 4.24\n##END=', 1, 'found ##JCAMPDX='],
    ['no end', '##TITLE= t\n##ORIGIN= o', 1, 'expected ##END='],
    [
      'something behind the end',
      '##TITLE= t\n##END=\nmore',
      3,
      'nothing but comments behind ##END=',
    ],
    ['a second document', '##TITLE= t\n##END=\n##TITLE= u\n##END=', 3, 'nothing behind ##END='],
    [
      'another form of data',
      '##TITLE= t\n##XYDATA= (XYZ)\n1 2\n##END=',
      2,
      '(X++(Y..Y)) or (XY..XY)',
    ],
    [
      'two tables',
      '##TITLE= t\n##XYDATA=(XY..XY)\n1,2\n##XYPOINTS=(XY..XY)\n##END=',
      4,
      'one data record',
    ],
    [
      'a pair with two points in a number',
      '##TITLE= t\n##XYPOINTS=(XY..XY)\n1,2.3.4,5\n##END=',
      3,
      'expected a number, found "2.3.4,5"',
    ],
    [
      'a pair with an exponent past every double',
      '##TITLE= t\n##XYPOINTS=(XY..XY)\n1,2E+1000 3\n##END=',
      3,
      'expected a number, found "2E+1000 3"',
    ],
    [
      'a label without =, which would be a line of the text before it',
      '##TITLE= t\n##ORIGIN= o\n##YFACTOR 0.5\n##XYPOINTS=(XY..XY)\n1,2\n##END=',
      3,
      'expected a label and =, found "##YFACTOR 0.5"',
    ],
    [
      'two factors',
      '##TITLE= t\n##YFACTOR= 1\n##YFACTOR= 0.5\n##XYPOINTS=(XY..XY)\n1,2\n##END=',
      3,
      'expected ##YFACTOR= as on line 2, "1", found "0.5"',
    ],
    [
      'two units of an axis',
      '##TITLE= t\n##XUNITS= 1/CM\n##XUNITS= NM\n##XYPOINTS=(XY..XY)\n1,2\n##END=',
      3,
      'expected ##XUNITS= as on line 2, "1/CM", found "NM"',
    ],
    ['half a pair', '##TITLE= t\n##XYPOINTS=(XY..XY)\n1,2 3\n##END=', 3, 'expected pairs'],
    [
      'a factor of nothing',
      '##TITLE= t\n##YFACTOR= 0\n##XYPOINTS=(XY..XY)\n1,2\n##END=',
      2,
      'other than 0',
    ],
    [
      'a number that is none',
      '##TITLE= t\n##YFACTOR= 1,0\n##XYPOINTS=(XY..XY)\n1,2\n##END=',
      2,
      'as a number',
    ],
  ])('is refused with line and reason: %s', (_what, text, line, message) => {
    const fault = refusal(text);
    expect(fault.message).toContain(message);
    expect(fault.line).toBe(line);
  });

  it('holds blocks in a LINK block, to a depth', () => {
    const block = '##TITLE= a\n##XYPOINTS= (XY..XY)\n1,2; 3,4\n##END=\n';
    const link = accepted(`##TITLE= all\n##DATA TYPE= LINK\n##BLOCKS= 2\n${block}${block}##END=\n`);
    expect(link.blocks.map(({ title }) => title)).toEqual(['a', 'a']);
    expect(link.blocks[0]?.data).toMatchObject({ kind: 'pairs', x: Float64Array.of(1, 3) });
    const deep = '##TITLE= d\n'.repeat(40) + '##END=\n'.repeat(40);
    expect(refusal(deep).message).toContain('more blocks inside blocks');
  });

  it('has a label whatever characters stand behind it', () => {
    const block = accepted('##TITLE= t\n##ORIGIN= o\n##OWNER= a\u2028b\n##END=');
    expect(jcampValue(block, 'ORIGIN')).toBe('o');
    expect(block.records).toHaveLength(2);
  });

  it('holds no more points in all its blocks than are read of a file', () => {
    const block = '##TITLE= a\n##NPOINTS= 40\n##XYDATA= (X++(Y..Y))\n1AV0\n##END=\n';
    const link = `##TITLE= all\n##DATA TYPE= LINK\n${block}${block}##END=\n`;
    expect(refusal(link, { ...JCAMP_LIMITS, pointsInAllMax: 79 }).message).toContain(
      'expected at most 39 points',
    );
    expect(readJcamp(bytes(link), { ...JCAMP_LIMITS, pointsInAllMax: 80 }).ok).toBe(true);
  });

  it('names what disagrees without changing a value', () => {
    const heads = ['##LASTX= 103', '##NPOINTS= 4', '##FIRSTY= 9', '##MAXY= 7', '##DELTAX= 2'];
    const { deviations, data } = accepted(file(['100 1 2', '150 3 4'], heads));
    expect(data?.y).toEqual(Float64Array.of(1, 2, 3, 4));
    expect(deviations.map(({ message }) => message)).toEqual([
      'expected DELTAX 1, (LASTX − FIRSTX) / (NPOINTS − 1), found 2',
      'expected x 102, found 150',
      'expected FIRSTY 1, found 9',
      'expected MAXY 4, found 7',
    ]);
  });
});

describe('the Raman spectra of a JCAMP-DX file', () => {
  const raman = (heads: readonly string[], line: string) =>
    bytes(
      [
        '##TITLE= t',
        '##DATA TYPE= RAMAN SPECTRUM',
        '##XUNITS= 1/CM',
        '##FIRSTX= 100',
        '##LASTX= 103',
        ...heads,
        '##XYDATA= (X++(Y..Y))',
        line,
        '##END=',
      ].join('\r\n'),
    );

  /** NPOINTS is a required record (shared facts on JCAMP-DX 4.24, "Records for one Raman spectrum"). */
  it('are refused without NPOINTS, which alone tells that a point is missing or one too many', () => {
    // Without its sign the exponent is a squeezed 5: 1, 55, 2, 55.
    const read = readOpenJcamp(raman([], '100 1E5 2E5'));
    expect(read).toMatchObject({ ok: false, fault: { message: /^expected NPOINTS, found none/ } });
    const known = readOpenJcamp(raman([], '100 1 2 3 4'), { isCounted: true });
    expect(known).toMatchObject({ ok: true });
    const noted = readOpenJcamp(raman([], '100 1 2 3 4'), { mayDisagree: true });
    expect(noted.ok && noted.spectra[0]?.notes).toMatchObject([
      { name: '$DEVIATION 1', text: expect.stringContaining('expected NPOINTS') },
    ]);
  });

  it('keep every text of a label that stands more than once', () => {
    const read = readOpenJcamp(
      raman(['##NPOINTS= 4', '##= one', '##$LOT= a', '##= two', '##$LOT= b'], '100 1 2 3 4'),
    );
    expect(read.ok && read.spectra[0]?.notes).toEqual([
      { name: '', text: 'one\ntwo' },
      { name: '$LOT', text: 'a\nb' },
    ]);
  });

  it('keep a long text to its end', () => {
    const lines = Array.from({ length: 400 }, (_, i) => `line ${i} of what was written down`);
    const read = readOpenJcamp(
      raman(['##NPOINTS= 4', `##$JOURNAL= ${lines.join('\r\n')}`], '100 1 2 3 4'),
    );
    expect(read.ok && read.spectra[0]?.notes).toEqual([
      { name: '$JOURNAL', text: lines.join('\n') },
    ]);
  });
});

describe('a JCAMP-DX file that is written', () => {
  const records = [['DATA TYPE', 'RAMAN SPECTRUM']] as const;
  const pairs = (x: readonly number[], y: readonly number[]): JcampSpectrum => ({
    title: 'a spectrum',
    records,
    data: { kind: 'pairs', x, y },
  });

  it('keeps every bit of an uneven axis and of its ordinates', () => {
    const double = fc.double({ noNaN: true, noDefaultInfinity: true });
    const points = fc.array(fc.tuple(double, double), { minLength: 1, maxLength: 200 });
    fc.assert(
      fc.property(points, (all) => {
        const x = all.map(([one]) => one);
        const y = all.map(([, one]) => one);
        const text = writeJcamp('t', [pairs(x, y)]);
        for (const line of text.split('\r\n')) expect(line.length).toBeLessThanOrEqual(80);
        const { data, deviations } = accepted(text);
        expect(data?.x).toEqual(Float64Array.from(x));
        expect(data?.y).toEqual(Float64Array.from(y));
        expect(deviations).toEqual([]);
      }),
    );
  });

  it('keeps whole numbers on an even axis in every form, without a deviation', () => {
    const stored = Array.from(
      { length: 900 },
      (_, i) => Math.round(20_000 * Math.sin(i / 40)) + 30,
    );
    for (const form of ['affn', 'pac', 'sqz', 'dif', 'dif-dup'] as const) {
      const table = {
        kind: 'table',
        firstX: 201.3,
        lastX: 2000,
        stored,
        yFactor: 0.25,
        form,
      } as const;
      const { data, deviations } = accepted(
        writeJcamp('t', [{ title: 't', records, data: table }]),
      );
      expect(data?.y).toEqual(Float64Array.from(stored, (v) => v * 0.25));
      expect(data?.x?.at(0)).toBe(201.3);
      expect(deviations).toEqual([]);
    }
  });

  it('prints no x past the largest double, although ten digits of it would be', () => {
    const data = {
      kind: 'table' as const,
      ...{ firstX: -1.7976931345e308, lastX: -1.7976931345e308, stored: [0], yFactor: 1 },
      form: 'affn' as const,
    };
    expect(writeJcamp('t', [{ title: 't', records: [], data }])).not.toContain('Infinity');
  });

  it('puts several into a LINK block', () => {
    const text = writeJcamp('both', [pairs([1], [2]), pairs([3], [4])]);
    const block = accepted(text);
    expect(jcampValue(block, 'BLOCKS')).toBe('2');
    expect(block.blocks.map(({ data }) => data?.y[0])).toEqual([2, 4]);
  });

  it('lets no text begin a comment, a label or a line of its own', () => {
    const hostile = 'a $$ b ##END= c\r\n##TITLE= d \u2028 é 漢 ';
    const text = writeJcamp(hostile, [
      { ...pairs([1], [2]), title: hostile, records: [['OWNER', hostile.repeat(9)]] },
    ]);
    expect(text).toMatch(/^[\r\n -~]*$/);
    const block = accepted(text);
    expect(block.title).toBe('a $ $ b # #END= c # #TITLE= d   ? ?');
    expect(block.records.filter(({ label }) => label === 'OWNER')).toHaveLength(1);
    expect(block.data?.y).toEqual(Float64Array.of(2));
  });
});
