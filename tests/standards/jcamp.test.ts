import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { convert } from 'jcampconverter';
import { describe, expect, it } from 'vitest';
import type { JcampBlock } from '../../src/formats/jcamp.js';
import { readJcamp } from '../../src/formats/jcamp-reader.js';
import { writeJcamp } from '../../src/formats/jcamp-writer.js';
import { describeWithShared, sharedDir } from '../support/shared.js';

/**
 * Published files (sources and licences in the README beside them: the public-domain test files of the
 * University of the West Indies, and files of MIT-licensed projects) and an independent reader, jcampconverter
 * 10.0.1 (MIT; later versions are not).
 */
const FOLDER = 'data/jcamp';
const SPECTRA = [
  'adamantane_raman.jdx',
  'dupinc2.jdx',
  'fixinc2.jdx',
  'isopropanol_ir_difdup.jdx',
  'jtpolys.jdx',
  'jtpolysd.jdx',
  'pacdec1.jdx',
  'sqzdupd1.jdx',
];
/** Points as the README beside the files lists them. */
const POINTS = [1791, 3734, 3601, 9541, 1844, 1844, 3301, 18669];

/**
 * From this point on the other reader goes astray: the line begins with a check and a DUP of it (`A666T`). That
 * ours is right there is shown by the checks of the lines behind it, which it refuses to pass over.
 */
const LOST_BY_THE_OTHER_READER = new Map([['dupinc2.jdx', 2580]]);

function bytesOf(name: string): Buffer {
  return readFileSync(join(sharedDir() ?? '', FOLDER, name));
}

function blockOf(name: string): JcampBlock {
  const read = readJcamp(bytesOf(name));
  if (!read.ok) throw new Error(`${name} line ${read.fault.line}: ${read.fault.message}`);
  return read.block;
}

function valuesOf(name: string): { readonly x: readonly number[]; readonly y: readonly number[] } {
  const { data } = blockOf(name);
  if (!data?.x) throw new Error(`${name} has no axis`);
  return { x: [...data.x], y: [...data.y] };
}

/** Equal to the digits that an addition in another order leaves. */
function near(found: readonly number[], expected: readonly number[]): void {
  expect(found).toHaveLength(expected.length);
  const size = Math.max(...expected.map(Math.abs));
  const worst = expected.reduce(
    (max, v, i) => Math.max(max, Math.abs(v - (found[i] ?? Number.NaN))),
    0,
  );
  expect(worst / size).toBeLessThan(1e-9);
}

describeWithShared('published JCAMP-DX files', (shared) => {
  it('are all looked at', () => {
    const files = readdirSync(join(shared, FOLDER)).filter((name) => /\.j?dx$/.test(name));
    expect(files.filter((name) => !name.startsWith('small-')).sort()).toEqual(
      [...SPECTRA, 'coffhd.jdx'].sort(),
    );
  });

  it.each(SPECTRA.map((name, i) => [name, POINTS[i]] as const))(
    'decode point for point as an independent reader decodes them: %s',
    (name, points) => {
      const { x, y } = valuesOf(name);
      expect(y).toHaveLength(points ?? 0);
      // The other reader does not take a factor with a comment behind it.
      const text = bytesOf(name)
        .toString('latin1')
        .replace(/^(##YFACTOR=[^$\r\n]*)\$\$.*$/m, '$1');
      const data = convert(text, {}).flatten[0]?.spectra[0]?.data;
      near(x, [...(data?.x ?? [])]);
      const until = LOST_BY_THE_OTHER_READER.get(name) ?? y.length;
      near(y.slice(0, until), [...(data?.y ?? [])].slice(0, until));
    },
  );

  it('hold the same ordinates in difference form as written out', () => {
    const stored = (name: string) => {
      const block = blockOf(name);
      const factor = Number(block.records.find(({ label }) => label === 'YFACTOR')?.value);
      return [...(block.data?.y ?? [])].map((y) => Math.round(y / factor));
    };
    expect(stored('jtpolysd.jdx')).toEqual(stored('jtpolys.jdx'));
  });

  it.each(['small-fix.dx', 'small-packed.dx', 'small-squeezed.dx', 'small-difdup.dx'])(
    'decode the same beginning in four forms: %s',
    (name) => {
      const y = [...(blockOf(name).data?.y ?? [])];
      expect(y.slice(0, 8)).toEqual([-10247, 1201, -5196, 7245, -5777, 5015, -8583, -3100]);
    },
  );

  it('are a peak table where they say so', () => {
    const { data } = blockOf('coffhd.jdx');
    expect(data).toMatchObject({ kind: 'pairs', label: 'PEAKTABLE' });
    expect(data?.x?.at(-1)).toBe(150);
    expect(data?.y).toHaveLength(27);
  });

  it('name what does not agree in them', () => {
    const of = (name: string) => blockOf(name).deviations.map(({ message }) => message);
    expect(of('adamantane_raman.jdx')).toEqual(['expected MAXY 21726, found 20518']);
    expect(of('isopropanol_ir_difdup.jdx')[0]).toMatch(/^expected FIRSTY 0\.03/);
  });
});

describe('JCAMP-DX files that we write', () => {
  it.each(['affn', 'pac', 'sqz', 'dif', 'dif-dup'] as const)(
    'are read by an independent reader point for point, form %s',
    (form) => {
      const stored = Array.from(
        { length: 500 },
        (_, i) => Math.round(1e5 / (1 + ((i - 200) / 9) ** 2)) - 7,
      );
      const data = { kind: 'table', firstX: 200, lastX: 1198, stored, yFactor: 1, form } as const;
      const records = [
        ['DATA TYPE', 'RAMAN SPECTRUM'],
        ['XUNITS', '1/CM'],
        ['YUNITS', 'COUNTS'],
      ] as const;
      const { flatten } = convert(writeJcamp('t', [{ title: 't', records, data }]), {});
      const found = flatten[0]?.spectra[0]?.data;
      expect([...(found?.y ?? [])]).toEqual(stored);
      near(
        [...(found?.x ?? [])],
        Array.from({ length: 500 }, (_, i) => 200 + 2 * i),
      );
    },
  );

  it('are read by an independent reader as pairs with an uneven axis', () => {
    const x = [200.1, 201.7, 204.05, 210];
    const y = [0.125, -3.5, 1e-7, 12345.678];
    const text = writeJcamp('t', [{ title: 't', records: [], data: { kind: 'pairs', x, y } }]);
    // It knows pairs by the form alone and not by the label XYPOINTS.
    const known = text.replace('##XYPOINTS=', '##XYDATA=');
    const found = convert(known, {}).flatten[0]?.spectra[0]?.data;
    expect([...(found?.x ?? [])]).toEqual(x);
    expect([...(found?.y ?? [])]).toEqual(y);
  });
});
