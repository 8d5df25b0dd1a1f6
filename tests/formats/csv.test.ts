import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { headerSeparator, parseCsv, writeCsv } from '../../src/formats/csv.js';

const cellsOf = (text: string, separator: ',' | ';' | '\t' = ',') => {
  const parsed = parseCsv(text, { separator });
  return parsed.ok ? parsed.rows.map((row) => row.cells) : parsed.faults;
};

describe('the separator of a file', () => {
  it.each([
    ['a,b\n1;2;3,4', ','],
    ['a;b\n1,2;3', ';'],
    ['a\tb', '\t'],
    ['a', ','],
    ['', ','],
  ])('is read from the header line alone: %j', (text, separator) => {
    expect(headerSeparator(text)).toBe(separator);
  });
});

describe('CSV', () => {
  // The examples of RFC 4180 section 2, points 1 to 7.
  it.each([
    [
      'aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n',
      [
        ['aaa', 'bbb', 'ccc'],
        ['zzz', 'yyy', 'xxx'],
      ],
    ],
    [
      'aaa,bbb,ccc\r\nzzz,yyy,xxx',
      [
        ['aaa', 'bbb', 'ccc'],
        ['zzz', 'yyy', 'xxx'],
      ],
    ],
    [
      '"aaa","bbb","ccc"\r\nzzz,yyy,xxx',
      [
        ['aaa', 'bbb', 'ccc'],
        ['zzz', 'yyy', 'xxx'],
      ],
    ],
    [
      '"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx',
      [
        ['aaa', 'b\r\nbb', 'ccc'],
        ['zzz', 'yyy', 'xxx'],
      ],
    ],
    ['"aaa","b""bb","ccc"', [['aaa', 'b"bb', 'ccc']]],
  ])('reads the example %j of RFC 4180', (text, rows) => {
    expect(cellsOf(text)).toEqual(rows);
  });

  it('reads bare line feeds, a byte order mark, empty cells and the declared separator', () => {
    expect(cellsOf('\ufeffa;b\n;\n"x;y";', ';')).toEqual([
      ['a', 'b'],
      ['', ''],
      ['x;y', ''],
    ]);
    expect(cellsOf('')).toEqual([]);
  });

  it('says on which line a row begins, also behind a cell of several lines', () => {
    const parsed = parseCsv('a\n"b\nb\nb"\nc');
    expect(parsed.ok && parsed.rows.map((row) => row.line)).toEqual([1, 2, 5]);
  });

  it.each([
    ['a\nb"c', 2, 'a quote inside a cell'],
    ['a\n\n"b" c', 3, 'text after the closing quote'],
    ['a\n"b\n\nc', 2, 'does not end'],
    ['a\rb', 1, 'carriage return without'],
  ])('names line and fault of %j', (text, line, message) => {
    const parsed = parseCsv(text);
    expect(parsed.ok ? null : parsed.faults[0]?.line).toBe(line);
    expect(parsed.ok ? null : parsed.faults[0]?.message).toContain(message);
  });

  it('stops at the bound of rows', () => {
    expect(parseCsv('a\nb\nc', { rowsMax: 2 })).toEqual({
      ok: false,
      faults: [{ line: 3, message: 'more than 2 rows' }],
    });
  });

  it('reads back whatever it wrote raw', () => {
    const cell = fc.oneof(
      fc.string(),
      fc.constantFrom('"', ',', '\r\n', '\n', '\r', ';', '\ufeff', '=1+1'),
    );
    fc.assert(
      fc.property(
        fc.array(fc.array(cell, { minLength: 1, maxLength: 4 }), { maxLength: 5 }),
        fc.constantFrom(',' as const, ';' as const, '\t' as const),
        (rows, separator) => {
          expect(cellsOf(writeCsv(rows, { separator }), separator as ',')).toEqual(rows);
        },
      ),
    );
  });

  it('writes formulas as text where a spreadsheet will open the file, and numbers as numbers', () => {
    const row = ['=SUM(A1)', '+44 1', '-2.5', '-cmd', '@x', '\tx', '+3', '1=1', ''];
    expect(writeCsv([row], { isFormulaSafe: true })).toBe(
      "'=SUM(A1),'+44 1,-2.5,'-cmd,'@x,'\tx,+3,1=1,\r\n",
    );
    expect(writeCsv([row])).toBe('=SUM(A1),+44 1,-2.5,-cmd,@x,\tx,+3,1=1,\r\n');
  });
});
