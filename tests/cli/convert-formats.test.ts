import { createHash } from 'node:crypto';
import { mkdtemp, readdir, readFile, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import { registerConvert } from '../../src/cli/convert.command.js';
import { readOpenJcamp } from '../../src/formats/jcamp-spectra.js';
import { readOpenAniml } from '../../src/records/animl-document.js';
import { readAniml } from '../../src/records/animl-reader.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import { writeCsvRecords } from '../../src/records/csv-record.js';
import { readE1947, readOpenE1947 } from '../../src/records/e1947-reader.js';
import { writeE1947 } from '../../src/records/e1947-writer.js';
import { writeJcampRecord, writeOpenJcamp } from '../../src/records/jcamp-record.js';
import type { ResultRecord } from '../../src/records/result-record.js';
import { SAMPLE_RECORD, SAMPLE_VALUES, valuesDigest } from '../records/sample-record.js';
import { describeWithShared } from '../support/shared.js';

let directory: string;
let out: string;
let printed: string;
let said: string;

beforeEach(async () => {
  directory = await mkdtemp(join(tmpdir(), 'drumline-formats-'));
  out = join(directory, 'out');
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    printed += String(text);
    return true;
  });
  vi.spyOn(process.stderr, 'write').mockImplementation((text) => {
    said += String(text);
    return true;
  });
});

afterEach(async () => {
  vi.restoreAllMocks();
  process.exitCode = undefined;
  await rm(directory, { recursive: true });
});

interface Report {
  readonly outcome: string;
  readonly from: string;
  readonly to: string;
  readonly found: string | null;
  readonly exact: boolean;
  readonly faults: readonly { at: string; message: string }[];
  readonly techniqueFindings: readonly { path: string; message: string }[];
  readonly files: readonly {
    readonly file: string | null;
    readonly spectrumFile: string | null;
    readonly state: string;
    readonly exact: boolean;
    readonly held: boolean;
    readonly remarks: readonly string[];
    readonly reason: string | null;
  }[];
}

async function convert(file: string, to: string, ...options: string[]) {
  const program = new Command('drumline').exitOverride();
  registerConvert(program);
  printed = '';
  said = '';
  process.exitCode = undefined;
  const args = ['convert', file, '--out', out, '--to', to, '--json', ...options];
  await program.parseAsync(args, { from: 'user' });
  const exit = Number(process.exitCode ?? 0);
  process.exitCode = undefined;
  const last = printed.trimEnd().split('\n').at(-1) ?? '';
  return { exit, report: (last === '' ? null : JSON.parse(last)) as Report };
}

async function file(name: string, content: string | Uint8Array): Promise<string> {
  const path = join(directory, name);
  await writeFile(path, content);
  return path;
}

const written = (name: string) => readFile(join(out, name));
const NAME = 'NQ-R-0001%3A1%3A17';
const ANIML = writeAniml(SAMPLE_RECORD, SAMPLE_VALUES);

const WIDE_VALUES: SpectrumValues = {
  axis: Float64Array.of(200.1, 201.7, 204),
  intensity: Float64Array.of(0.1, -0, 3e-21),
  even: null,
  intensityUnit: 'counts',
};
const WIDE: ResultRecord = {
  ...SAMPLE_RECORD,
  spectrum: {
    points: 3,
    axisWidth: 'float64',
    intensityWidth: 'float64',
    axisFirst: '200.1',
    axisLast: '204',
    intensityUnit: 'counts',
    sha256: valuesDigest(WIDE_VALUES),
  },
};

describe('drumline convert from a file of ours', () => {
  const chains = [
    ['e1947', 'cdf'],
    ['jcamp', 'jdx'],
    ['csv', 'csv'],
  ] as const;

  it.each(chains)('gives the same AnIML bytes again by way of %s', async (format, ending) => {
    const source = await file('a.bin', ANIML);
    const there = await convert(source, format);
    expect(there).toMatchObject({
      exit: 0,
      report: { from: 'animl', to: format, found: 'XML', exact: true, techniqueFindings: [] },
    });
    const back = await convert(join(out, `${NAME}.${ending}`), 'animl');
    expect(back).toMatchObject({ exit: 0, report: { from: format, exact: true } });
    expect((await written(`${NAME}.animl`)).toString('utf8')).toBe(ANIML);
  });

  it.each([
    ['semicolon', 'comma', []],
    ['tab', 'comma', ['--bom']],
    ['bar', 'point', ['--formula-safe']],
    ['semicolon', 'comma', ['--formula-safe', '--bom']],
  ] as const)('comes back from CSV with %s and decimal %s %j', async (separator, mark, more) => {
    const odd = { ...WIDE, lot: '=1+1', material: "'quoted", remarks: [{ name: '@', text: '-x' }] };
    const document = writeAniml(odd, WIDE_VALUES);
    const source = await file('a.animl', document);
    await convert(source, 'csv', '--separator', separator, '--decimal-mark', mark, ...more);
    const text = await readFile(join(out, `${NAME}.csv`), 'utf8');
    expect(text.startsWith('\ufeff')).toBe(more.some((option) => option === '--bom'));
    expect(text).toContain(mark === 'comma' ? '0,9870' : '0.9870');
    expect(text.includes("'=1+1")).toBe(more.some((option) => option === '--formula-safe'));
    const spectrum = await readFile(join(out, `${NAME}.spectrum.csv`), 'utf8');
    expect(spectrum).toContain(mark === 'comma' ? '200,1' : '200.1');
    const back = [
      ...['--from-decimal-mark', mark],
      ...(separator === 'bar' ? ['--from-separator', separator] : []),
    ];
    const answer = await convert(join(out, `${NAME}.csv`), 'animl', ...back);
    expect(answer).toMatchObject({ exit: 0, report: { from: 'csv', exact: true } });
    expect((await written(`${NAME}.animl`)).toString('utf8')).toBe(document);
  });

  it('refuses a decimal point where a comma was declared, with line and column', async () => {
    const source = await file('a.csv', writeCsvRecords([SAMPLE_RECORD]));
    const { exit, report } = await convert(
      source,
      'animl',
      ...['--from-separator', 'comma', '--from-decimal-mark', 'comma'],
    );
    expect(exit).toBe(2);
    expect(report).toBeNull();
    const semicolons = { separator: ';', decimalMark: 'point' } as const;
    const raw = { isFormulaSafe: false, hasByteOrderMark: false };
    await file('a.csv', writeCsvRecords([SAMPLE_RECORD], { ...semicolons, ...raw }));
    const other = await convert(source, 'animl', '--from-decimal-mark', 'comma');
    expect(other.exit).toBe(1);
    expect(other.report.faults.map(({ at }) => at)).toContain('line 2, column score_value');
  });

  it('says that E1947 rounds, keeps the record and puts the rounded spectrum beside it', async () => {
    const source = await file('a.animl', writeAniml(WIDE, WIDE_VALUES));
    const there = await convert(source, 'e1947');
    expect(there.report).toMatchObject({ exact: false, files: [{ exact: false }] });
    expect(there.report.files[0]?.remarks.join()).toContain('rounded to float32');
    const cdf = join(out, `${NAME}.cdf`);
    const back = await convert(cdf, 'animl');
    expect(back.report).toMatchObject({
      exact: false,
      files: [{ file: `${NAME}.animl` }, { file: `${NAME}~rounded.animl`, exact: false }],
    });
    const alone = readOpenAniml(await written(`${NAME}~rounded.animl`));
    expect(alone.ok && alone.spectra[0]?.intensity[0]).toBe(0.10000000149011612);
    const jcamp = await convert(cdf, 'jcamp');
    expect(jcamp.exit).toBe(1);
    expect(jcamp.report.files[0]).toMatchObject({ state: 'impossible', file: null });
    const same = await convert(cdf, 'e1947');
    expect(same.report.files).toMatchObject([{ state: 'unchanged', exact: false }]);
  });

  it('keeps the mark of a held result', async () => {
    const source = await file('x~held.animl', ANIML);
    const { exit, report } = await convert(source, 'csv');
    expect(exit).toBe(1);
    expect(report.files).toMatchObject([
      { file: `${NAME}~held.csv`, spectrumFile: `${NAME}~held.spectrum.csv`, held: true },
    ]);
    expect((await convert(join(out, `${NAME}~held.csv`), 'animl')).report.files).toMatchObject([
      { file: `${NAME}~held.animl`, held: true, exact: true },
    ]);
  });

  it.each(['e1947', 'jcamp'])('has no %s form for a record without a spectrum', async (to) => {
    const source = await file('a.animl', writeAniml({ ...SAMPLE_RECORD, spectrum: null }, null));
    const { exit, report } = await convert(source, to);
    expect(exit).toBe(1);
    expect(report.files).toMatchObject([
      { state: 'impossible', reason: 'a record without a spectrum has no such form' },
    ]);
    expect(await readdir(out)).toEqual([]);
  });

  it('describes a spectrum that is not beside its CSV, and says so', async () => {
    const source = await file('a.csv', writeCsvRecords([SAMPLE_RECORD]));
    const { exit, report } = await convert(source, 'animl');
    expect(exit).toBe(0);
    expect(report.files[0]).toMatchObject({ exact: false });
    expect(report.files[0]?.remarks.join()).toContain('not carried');
  });

  it.each([
    ['another value', '12.5', '12.75', 'SHA-256'],
    ['another start of the axis', 'start=200.0', 'start=201.0', 'at point 0 of the axis'],
    ['a value that is none', '12.5', '12..5', 'expected two numbers'],
    ['no header', 'raman_shift', 'shift', 'expected the header'],
  ])('refuses a spectrum beside a CSV with %s', async (_what, from, to, message) => {
    await convert(await file('a.animl', ANIML), 'csv');
    const spectrum = join(out, `${NAME}.spectrum.csv`);
    const text = await readFile(spectrum, 'utf8');
    expect(text).toContain(from);
    await writeFile(spectrum, text.replace(from, to));
    const { exit, report } = await convert(join(out, `${NAME}.csv`), 'animl');
    expect(exit).toBe(1);
    expect(report.outcome).toBe('refused');
    expect(report.faults[0]?.at).toContain(`${NAME}.spectrum.csv, line `);
    expect(report.faults[0]?.message).toContain(message);
  });

  it.each([
    ['animl', Buffer.from(ANIML.replace('>pass<', '>good<'))],
    ['e1947', changed(writeE1947(SAMPLE_RECORD, SAMPLE_VALUES), 'NQ-R-0001:1:17')],
    [
      'jcamp',
      changed(Buffer.from(writeJcampRecord(SAMPLE_RECORD, SAMPLE_VALUES)), 'DECISION= pass'),
    ],
  ])('refuses a changed %s record and never takes it for a spectrum', async (format, bytes) => {
    const { exit, report } = await convert(await file('a', bytes), 'csv');
    expect(exit).toBe(1);
    expect(report).toMatchObject({ outcome: 'refused', from: format });
    expect(report.faults[0]?.message).not.toBe('');
    await expect(readdir(out)).rejects.toThrow('ENOENT');
  });

  it.each([
    ['e1947', 'cdf', 'application/x-netcdf'],
    ['jcamp', 'jdx', 'chemical/x-jcamp-dx'],
  ])(
    'attaches the %s form by its digest, and tells when it was changed',
    async (attach, ending, type) => {
      const source = await file('a.animl', ANIML);
      const { exit, report } = await convert(source, 'animl', '--attach', attach);
      const attachment = `${NAME}.${ending}`;
      expect(exit).toBe(0);
      expect(report.files).toMatchObject([{ file: `${NAME}.animl`, attachment }]);
      const bytes = await written(attachment);
      const document = join(out, `${NAME}.animl`);
      const sha256 = createHash('sha256').update(bytes).digest('hex');
      expect(readAniml(await readFile(document))).toMatchObject({
        ok: true,
        content: {
          record: SAMPLE_RECORD,
          attachments: [{ fileName: attachment, mediaType: type, sha256 }],
        },
      });
      const again = await convert(document, 'animl');
      expect(again.report.files).toMatchObject([{ state: 'unchanged', remarks: [] }]);
      await writeFile(join(out, attachment), 'other');
      const other = await convert(document, 'csv');
      expect(other.report.files[0]?.remarks.join()).toContain('was changed');
      await rm(join(out, attachment));
      const gone = await convert(document, 'csv');
      expect(gone.report.files[0]?.remarks.join()).toContain('is not beside the document');
    },
  );

  it('attaches nothing to anything but AnIML', async () => {
    const { exit } = await convert(await file('a.animl', ANIML), 'csv', '--attach', 'jcamp');
    expect(exit).toBe(2);
    expect(said).toContain('only AnIML has attachments');
  });

  it('reports what is not as the technique says, and converts all the same', async () => {
    const text = ANIML.replace('<Unit label="nm" quantity="Wavelength">', '<Unit label="pm">');
    const { exit, report } = await convert(await file('a.animl', text), 'csv');
    expect(exit).toBe(0);
    expect(report.techniqueFindings).toMatchObject([
      { message: 'expected the unit nm, found "pm"' },
    ]);
  });
});

function changed(bytes: Uint8Array, text: string): Buffer {
  const copy = Buffer.from(bytes);
  const at = copy.indexOf(text) + text.length - 1;
  copy[at] = (copy[at] ?? 0) ^ 1;
  return copy;
}

const FOREIGN = {
  title: 'polystyrene (simulated)',
  axis: Float64Array.of(1000, 1001.5, 1004),
  intensity: Float64Array.of(1, 2.5, -3),
  intensityUnit: 'COUNTS',
  notes: [{ name: 'SAMPLE', text: 'foil' }],
};

describe('drumline convert from a file of somebody else', () => {
  it('gives the spectrum and its texts in every other format', async () => {
    const source = await file('foil.jdx', writeOpenJcamp([FOREIGN]));
    for (const to of ['animl', 'e1947', 'csv', 'jcamp']) {
      const { exit, report } = await convert(source, to);
      expect(exit).toBe(0);
      expect(report).toMatchObject({ from: 'jcamp', to, exact: true });
    }
    expect((await readdir(out)).sort()).toEqual(['foil.animl', 'foil.cdf', 'foil.csv', 'foil.jdx']);
    const animl = readOpenAniml(await written('foil.animl'));
    const e1947 = readOpenE1947(await written('foil.cdf'));
    const jcamp = readOpenJcamp(await written('foil.jdx'));
    for (const read of [animl, e1947, jcamp]) {
      if (!read.ok) throw new Error(read.fault.message);
      const [spectrum] = read.spectra;
      expect(spectrum?.title).toBe(FOREIGN.title);
      expect([...(spectrum?.axis ?? [])]).toEqual([...FOREIGN.axis]);
      expect([...(spectrum?.intensity ?? [])]).toEqual([...FOREIGN.intensity]);
      expect(spectrum?.intensityUnit).toBe('COUNTS');
      expect(spectrum?.notes.some(({ text }) => text === 'foil')).toBe(true);
    }
    expect((await written('foil.csv')).toString()).toBe(
      'raman_shift/cm-1,intensity/COUNTS\r\n1000,1\r\n1001.5,2.5\r\n1004,-3\r\n',
    );
  });

  it('gives one file for each of several spectra', async () => {
    const source = await file('two.jdx', writeOpenJcamp([FOREIGN, FOREIGN]));
    const { report } = await convert(source, 'csv');
    expect(report.files.map(({ file: name }) => name)).toEqual(['two-1.csv', 'two-2.csv']);
  });

  it('reads a table with a decimal comma when that is declared', async () => {
    const source = await file('t.csv', '\ufeffShift (cm-1);Counts (counts)\n200,5;1\n202;2,25\n');
    const refused = await convert(source, 'animl');
    expect(refused.report.faults).toMatchObject([{ at: 'line 2, column 1' }]);
    const read = await convert(source, 'animl', '--from-decimal-mark', 'comma');
    expect(read.exit).toBe(0);
    const animl = readOpenAniml(await written('t.animl'));
    expect(animl.ok && animl.spectra).toMatchObject([
      { axis: Float64Array.of(200.5, 202), intensityUnit: 'counts' },
    ]);
  });

  it.each([
    ['a zip archive', 'PK\u0003\u0004', 'a zip archive'],
    ['an empty file', '', 'an empty file'],
    ['bytes', '\u0001\u0002', 'no known form'],
    ['UTF-16', Buffer.from([0xff, 0xfe, 0x41, 0]), 'UTF-16'],
    [
      'another unit',
      'wavelength (nm),y\n500,1\n501,2\n',
      'expected a Raman shift in cm-1, found the unit',
    ],
    ['a JSON object that is no bundle', '{}', '"from":"bundle"'],
  ])('refuses %s and says what it found', async (_what, content, message) => {
    const { exit, report } = await convert(await file('x', content), 'csv');
    expect(exit).toBe(1);
    expect(report.outcome).toBe('refused');
    expect(JSON.stringify(report)).toContain(message);
  });

  it('takes a declared format at its word', async () => {
    const { exit, report } = await convert(await file('x', '1,2\n3,4\n'), 'csv', '--from', 'jcamp');
    expect(exit).toBe(1);
    expect(report).toMatchObject({ from: 'jcamp', found: null, faults: [{ at: 'line 1' }] });
  });

  it('is wrong usage when the comma is separator and decimal mark', async () => {
    const { exit } = await convert(await file('x', '1,2\n'), 'csv', '--decimal-mark', 'comma');
    expect(exit).toBe(2);
    expect(said).toContain('cannot separate cells and begin fractions');
  });
});

describe('a record in E1947-style netCDF whose wide ordinates float32 holds', () => {
  it('is exact, and has the width the record says', () => {
    const values = { ...WIDE_VALUES, intensity: Float64Array.of(1, 2, 0.5) };
    const spectrum = { ...WIDE.spectrum, sha256: valuesDigest(values) } as ResultRecord['spectrum'];
    const read = readE1947(writeE1947({ ...WIDE, spectrum }, values));
    expect(read).toMatchObject({ ok: true, content: { isExact: true, values } });
  });
});

describeWithShared('drumline convert --xsd', (shared) => {
  it('writes a document with an attachment that the official schema takes', async () => {
    const xsd = join(shared, 'standards', 'xsd');
    const options = ['--attach', 'e1947', '--xsd', xsd];
    expect((await convert(await file('a', ANIML), 'animl', ...options)).exit).toBe(0);
  });

  it('writes a spectrum alone as AnIML that the official schema takes', async () => {
    const odd = { ...FOREIGN, title: '  a  <b>\u0001', intensityUnit: '', notes: FOREIGN.notes };
    const source = await file('a.jdx', writeOpenJcamp([odd, FOREIGN]));
    const xsd = join(shared, 'standards', 'xsd');
    const { exit, report } = await convert(source, 'animl', '--xsd', xsd);
    expect(exit).toBe(0);
    expect(report.files).toMatchObject([{ state: 'written' }, { state: 'written' }]);
  });
});
