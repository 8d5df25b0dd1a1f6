import { describe, expect, it } from 'vitest';
import { readCodeTable } from '../../src/site/code-table.js';
import {
  readReferenceSpectrum,
  readRegisteredReference,
} from '../../src/site/reference-spectrum.js';

describe('code table files', () => {
  it('are read as they stand, remarks and empty lines left out', () => {
    const read = readCodeTable('# source\nvalue,code\r\npass,P\n\n__proto__,X\n Ä ,y z\n');
    expect(read.ok && Object.entries(read.table)).toEqual([
      ['pass', 'P'],
      ['__proto__', 'X'],
      [' Ä ', 'y z'],
    ]);
  });

  it.each([
    ['', 1],
    ['pass,P\n', 1],
    ['value,code\n', 1],
    ['value,code\npass,P\npass,Q\n', 3],
    ['value,code\npass\n', 2],
    ['value,code\npass,P,Q\n', 2],
    ['value,code\n,default\n', 2],
    ['value,code\n"pass",P\n', 2],
  ])('%j is refused at its line', (text, line) => {
    expect(readCodeTable(text)).toMatchObject({ ok: false, line });
  });
});

it('a registered reference is read as it was when it was registered, whatever its header says', () => {
  const read = readRegisteredReference(Buffer.from('x,y\n200,1\n202,2\n204,3\n'));
  expect(read.ok && [...read.reference.axis]).toEqual([200, 202, 204]);
});

describe('reference spectra', () => {
  const read = (text: string) => readReferenceSpectrum(Buffer.from(text), text);

  it('take a header, remarks and signs', () => {
    const found = read('# source\nshift,intensity\n200,1.5\n202, -0.25\n204,+3\n');
    expect(found.ok && [...found.reference.axis]).toEqual([200, 202, 204]);
    expect(found.ok && [...found.reference.intensity]).toEqual([1.5, -0.25, 3]);
  });

  it.each([
    ['200,1\n202,2\n', 1],
    ['200,1\n200,2\n204,3\n', 2],
    ['204,1\n202,2\n200,3\n', 2],
    ['200,1\nshift,intensity\n204,3\n', 2],
    ['200,1\n202,NaN\n204,3\n', 2],
    ['200,1\n202,1e3\n204,3\n', 2],
    ['200,1\n202,2,3\n204,3\n', 2],
    ['# source\nintensity,shift\n200,1\n202,2\n204,3\n', 2],
    ['wavelength_nm,intensity\n800,1\n802,2\n804,3\n', 1],
    ['200,NaN\n202,2\n204,3\n206,3\n', 1],
  ])('%j is refused at its line', (text, line) => {
    expect(read(text)).toMatchObject({ ok: false, line });
  });
});
