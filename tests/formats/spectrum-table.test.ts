import { describe, expect, it } from 'vitest';
import { readSpectrumTable } from '../../src/formats/spectrum-table.js';

const read = (text: string, max = 100) => {
  const answer = readSpectrumTable(text, max);
  return answer.ok
    ? [Array.from(answer.table.axis), Array.from(answer.table.intensity)]
    : `${answer.fault.line}:${answer.fault.column} ${answer.fault.message}`;
};

describe('a two-column spectrum', () => {
  it.each([
    ['comma and header', 'raman_shift_cm1,intensity\r\n100,1.5\r\n102,-2e3\r\n'],
    ['tabs', '100\t1.5\n102\t-2000'],
    ['semicolons', '\ufeffshift;counts\n100;1.5\n102;-2000\n\n'],
    ['spaces', '  100   1.5\n  102   -2000.0\n'],
    ['a descending axis', '102,-2000\n100,1.5\n'],
  ])('is read with %s', (_name, text) => {
    expect(read(text)).toEqual([
      [100, 102],
      [1.5, -2000],
    ]);
  });

  it.each([
    ['', '1:0 expected at least 2 points, found 0'],
    ['shift,counts\n1,2', '1:0 expected at least 2 points, found 1'],
    ['shift,counts\nshift,counts\n1,2', '2:0 expected at most one header line'],
    ['1,2\n2,x\n', '2:2 expected a number with a point, found "x"'],
    ['1;2,5\n2;3', '1:2 expected a number with a point, found "2,5"'],
    ['1,2\n2,3,4', '2:0 expected two columns, found 3'],
    ['1,2\n1,3', '2:1 found 1 after 1, expected an axis that runs one way'],
    ['1,2\n2,3\n1.5,4', '3:1 found 1.5 after 2, expected an axis that runs one way'],
    ['1,2\n2,1e999', '2:2 expected a number with a point, found "1e999"'],
  ])('%j is refused with line and column', (text, fault) => {
    expect(read(text)).toBe(fault);
  });

  it.each([
    'raman_shift_cm1,intensity',
    'shift_cm-1,intensity',
    'raman_shift/cm-1 start=200.0 step=1.50,intensity/counts-per-second',
    '"Raman shift (cm⁻¹)","Intensity (a.u.)"',
    'Raman Shift [1/cm];Counts',
    'wavenumber,intensity',
    'Wavenumber 1/cm\tCounts per second',
    'cm-1\tSignal',
    'Raman shift / cm-1,Intensity / counts',
    'Raman Shift ( cm-1 ),Intensity ( a.u. )',
    '(cm-1),(counts)',
    'Raman shift (cm\u22121),Intensity',
  ])('is headed by %j', (header) => {
    expect(read(`${header}\n100,1\n102,2`)).toEqual([
      [100, 102],
      [1, 2],
    ]);
  });

  it.each([
    [
      'intensity,raman_shift_cm1',
      '1:1 expected a Raman shift in cm-1 under a header such as raman_shift_cm1, found "intensity"',
    ],
    [
      'wavelength_nm,intensity',
      '1:1 expected a Raman shift in cm-1 under a header such as raman_shift_cm1, found "wavelength_nm"',
    ],
    ['Raman shift (nm),intensity', '1:1 expected a Raman shift in cm-1, found the unit "nm"'],
    ['shift/meV,intensity', '1:1 expected a Raman shift in cm-1, found the unit "meV"'],
    ['x,y', '1:1 expected a Raman shift in cm-1 under a header such as raman_shift_cm1, found "x"'],
    ['shift,shift', '1:2 expected intensities under a header such as intensity, found "shift"'],
    [
      'shift,intensity_deviation',
      '1:2 expected intensities under a header such as intensity, found "intensity_deviation"',
    ],
    ['shift,dark,intensity', '1:0 expected a header of two columns, found 3'],
    ['paracetamol', '1:0 expected a header of two columns, found 1'],
  ])('headed by %j is refused', (header, fault) => {
    expect(read(`${header}\n100,1\n102,2`)).toBe(fault);
  });

  it('headed by a name of any length is refused as fast as any other', () => {
    // Patterns that look for an end would start anew at each of these blanks.
    const blanks = ' '.repeat(1_000_000);
    const long = 'expected a header of at most 200 characters, found';
    expect(read(`raman${blanks}shift,intensity\n100,1\n102,2`)).toBe(`1:1 ${long} 1000010`);
    expect(read(`shift,intensity${blanks}counts\n100,1\n102,2`)).toBe(`1:2 ${long} 1000015`);
  });

  it('stops at the bound of points', () => {
    expect(read('1,1\n2,2\n3,3\n', 2)).toBe('3:0 more than 2 points');
  });
});
