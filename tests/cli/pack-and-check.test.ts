import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { mkdir } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { listRules } from '../../src/checks/rule-list.js';
import { registerCheck } from '../../src/cli/check.command.js';
import { registerPack } from '../../src/cli/pack.command.js';
import { zipLimits } from '../../src/formats/zip.js';
import { readZipEntry } from '../../src/formats/zip-content.js';
import { readZip } from '../../src/formats/zip-reader.js';
import type { ResultBundle } from '../../src/intake/result-bundle.js';
import { writeOpenJcamp } from '../../src/records/jcamp-record.js';
import { writeOpenAniml } from '../../src/records/open-animl.js';
import { writeOpenE1947 } from '../../src/records/open-e1947.js';
import { curve } from '../checks/fixture.js';
import { describeWithSpectra } from '../support/shared.js';

const HEADER = 'run,file,receipt,material,lot,container,method,operator,measured_at,decision,score';
const CREATED = '2026-03-04T12:00:00+00:00';

let folder: string;
let out: string;
let err: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'drumline-pack-'));
  out = '';
  err = '';
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    out += String(text);
    return true;
  });
  vi.spyOn(process.stderr, 'write').mockImplementation((text) => {
    err += String(text);
    return true;
  });
});

afterEach(() => {
  vi.restoreAllMocks();
  rmSync(folder, { recursive: true, force: true });
  process.exitCode = undefined;
});

/** Runs a command as the program would, and gives exit code and the last line of stdout. */
async function run(...args: string[]): Promise<{ exit: number; json: unknown }> {
  out = '';
  err = '';
  process.exitCode = undefined;
  const program = new Command('drumline').exitOverride();
  registerPack(program);
  registerCheck(program);
  try {
    await program.parseAsync(args, { from: 'user' });
  } catch (error) {
    if (!(error instanceof Error && 'exitCode' in error)) throw error;
    process.exitCode = 2;
  }
  const last = out.trim().split('\n').at(-1) ?? '';
  return {
    exit: Number(process.exitCode ?? 0),
    json: last.startsWith('{') ? JSON.parse(last) : null,
  };
}

/** A site folder of one instrument and one method a material, each with the reference given. */
async function site(materials: Record<string, string>, instruments = ['LAB-1']): Promise<string> {
  await mkdir(join(folder, 'site', 'references'), { recursive: true });
  const methods = Object.entries(materials).map(([code, reference]) => {
    writeFileSync(join(folder, 'site', 'references', `${code}.csv`), reference);
    return `  - { id: ID-${code}, version: "1", title: Identity, material: ${code}, mode: verification, algorithm: squared-correlation, threshold: "0.80", scoreTolerance: "0.02", range: { from: "400", to: "1800" }, gridStep: "1", derivative: { points: 15, polynomialOrder: 2, order: 1 }, reference: references/${code}.csv, approvals: [{ material: ${code}, decision: D-2 }] }`;
  });
  const decision = 'decidedBy: Tester (invented), date: "2026-01-01", reason: Test, signed: false';
  writeFileSync(
    join(folder, 'site', 'site.yaml'),
    [
      'site: lab',
      'title: Laboratory (invented)',
      'environment: training',
      'simulated: false',
      'timeZone: Europe/London',
      'areas: [{ id: lab, title: Laboratory }]',
      'instruments:',
      ...instruments.map(
        (serial) =>
          `  - { serial: ${serial}, model: Bench, firmware: "1", laserWavelengthNm: "785", area: lab, inService: true }`,
      ),
      'materials:',
      ...Object.keys(materials).map(
        (code) => `  - { code: ${code}, name: ${code}, furtherIdentityTests: [] }`,
      ),
      'methods:',
      ...methods,
      'plans: [{ material: "*", plan: every, rounding: up, decision: D-1, expires: "2090-12-31T23:59:59Z" }]',
      'decisions:',
      `  - { id: D-1, rule: sampling-plans, ${decision} }`,
      `  - { id: D-2, rule: method-approvals, ${decision} }`,
      'secondPerson: { required: true }',
      'limits: { bundleBytesMax: 33554432, resultsPerBundleMax: 5000, spectrumPointsMax: 20000, syncMarginMs: 1000, statementValidMs: 600000, futureToleranceMs: 120000, clockSkewMs: 120000 }',
      'destinations: []',
      '',
    ].join('\n'),
  );
  return join(folder, 'site');
}

function table(points: { axis: Float64Array; intensity: Float64Array }): string {
  return Array.from(points.axis, (x, i) => `${x},${points.intensity[i]?.toFixed(3)}\n`).join('');
}

function sheet(...rows: string[]): string {
  const file = join(folder, 'runs.csv');
  writeFileSync(file, [HEADER, ...rows, ''].join('\r\n'));
  return file;
}

const row = (over: Partial<Record<string, string>> = {}): string =>
  Object.values({
    run: '1',
    file: 'one.csv',
    receipt: 'GR-1',
    material: 'M-1',
    lot: 'L-1',
    container: 'C-1',
    method: 'ID-M-1',
    operator: 'op-1',
    measured_at: '2026-03-04T11:00:00+00:00',
    decision: 'pass',
    score: '0.99',
    ...over,
  }).join(',');

describe('drumline pack and check', () => {
  const options = (file: string, siteFolder: string, ...more: string[]) => [
    'pack',
    '--sheet',
    file,
    '--spectra',
    folder,
    '--site-folder',
    siteFolder,
    '--out',
    join(folder, 'bundle.json'),
    ...more,
  ];
  const simulated = curve('paracetamol', 1);

  it('packs a sheet into a bundle that is accepted, byte for byte the same twice', async () => {
    const siteFolder = await site({ 'M-1': table(curve('paracetamol', 7, 0)) });
    writeFileSync(join(folder, 'one.csv'), `shift,counts\n${table(simulated)}`);
    const args = options(sheet(row()), siteFolder, '--created-at', CREATED, '--json');
    const packed = await run(...args);
    expect(packed).toMatchObject({ exit: 0, json: { results: 1, performanceChecks: 0 } });
    const bytes = readFileSync(join(folder, 'bundle.json'));
    expect((await run(...args)).json).toEqual(packed.json);
    expect(readFileSync(join(folder, 'bundle.json'))).toEqual(bytes);

    const bundle = JSON.parse(bytes.toString('utf8')) as ResultBundle;
    expect(bundle).toMatchObject({
      origin: 'packed',
      environment: 'training',
      instrument: { serial: 'LAB-1', model: 'Bench', laserWavelengthNm: '785' },
      runs: { epoch: 1, first: 1, last: 1 },
      previousBundle: null,
      createdAt: CREATED,
    });
    expect(bundle.results[0]).toMatchObject({
      receipt: { scanned: 'GR-1', entry: 'typed' },
      score: { algorithm: 'squared-correlation', value: '0.99', threshold: '0.80' },
      spectrum: { points: 901 },
    });

    const checked = await run(
      'check',
      join(folder, 'bundle.json'),
      '--site-folder',
      siteFolder,
      '--json',
    );
    expect(checked.exit).toBe(0);
    const { files } = checked.json as {
      files: {
        outcome: string;
        findings: { code: string; severity: string }[];
        skipped: string[];
      }[];
    };
    expect(files[0]?.outcome).toBe('accepted');
    expect(files[0]?.findings.map((f) => `${f.severity} ${f.code}`)).toEqual([
      'remark label-not-scanned',
      'remark label-not-scanned',
      'remark time-assumed',
    ]);
    expect(files[0]?.skipped).toEqual(
      listRules()
        .filter((rule) => rule.needs === 'history')
        .map((rule) => rule.code),
    );
  });

  it.each(['store', 'deflate'])(
    'packs the files as they are into an archive (%s) that is accepted, byte for byte the same twice',
    async (method) => {
      const siteFolder = await site({ 'M-1': table(curve('paracetamol', 7, 0)) });
      await mkdir(join(folder, 'day'), { recursive: true });
      writeFileSync(
        join(folder, 'day', 'two.csv'),
        `shift;counts\r\n${table(simulated).replaceAll(',', ';')}`,
      );
      writeFileSync(join(folder, 'one.csv'), table(simulated));
      const rows = sheet(
        row(),
        row({ run: '2', file: 'day/two.csv' }),
        row({ run: '3', file: '', decision: 'fail', score: '' }),
      );
      const args = options(rows, siteFolder, '--created-at', CREATED, '--json', '--zip', method);
      const packed = await run(...args);
      expect(packed).toMatchObject({ exit: 0, json: { results: 3 } });
      const bytes = readFileSync(join(folder, 'bundle.json'));
      expect((await run(...args)).json).toEqual(packed.json);
      expect(readFileSync(join(folder, 'bundle.json'))).toEqual(bytes);

      const read = readZip(bytes, zipLimits(bytes.length * 10));
      const files = read.ok ? [...read.entries.values()] : [];
      expect(files.map((file) => file.name)).toEqual(['bundle.json', 'day/two.csv', 'one.csv']);
      const contents = files.map((file) => readZipEntry(file));
      expect(contents.map((content) => (content.ok ? Buffer.from(content.bytes) : null))).toEqual([
        expect.any(Buffer),
        readFileSync(join(folder, 'day', 'two.csv')),
        readFileSync(join(folder, 'one.csv')),
      ]);

      const check = ['check', join(folder, 'bundle.json'), '--site-folder', siteFolder, '--json'];
      const checked = await run(...check);
      expect(checked).toMatchObject({ exit: 0, json: { files: [{ outcome: 'accepted' }] } });
      writeFileSync(join(folder, 'bundle.json'), bytes.subarray(0, -1));
      expect(await run(...check)).toMatchObject({
        exit: 1,
        json: { files: [{ outcome: 'refused', findings: [{ code: 'zip-structure' }] }] },
      });
    },
  );

  it('packs no archive that could not be read again', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) });
    for (const name of ['one.csv', 'ONE.csv', 'ab:c.csv', 'Bundle.json']) {
      writeFileSync(join(folder, name), table(simulated));
    }
    const rows = ['one.csv', 'ONE.csv', 'one.csv', 'ab:c.csv', 'Bundle.json'];
    const file = sheet(...rows.map((name, i) => row({ run: String(i + 1), file: name })));
    const refused = await run(...options(file, siteFolder, '--zip', '--json'));
    expect(refused.exit).toBe(1);
    const { faults } = refused.json as { faults: { line: number; message: string }[] };
    expect(faults.map(({ line, message }) => `${line} ${message.slice(0, 40)}`)).toEqual([
      expect.stringMatching(/^3 ONE\.csv: line 2 names it too/),
      expect.stringMatching(/^4 one\.csv: line 3 names it too/),
      expect.stringMatching(/^5 ab:c\.csv: the name/),
      expect.stringMatching(/^6 Bundle\.json: the name is that/),
    ]);
    expect(existsSync(join(folder, 'bundle.json'))).toBe(false);
  });

  const CHECKS = 'run,checked_at,standard,outcome,file,1001.4,1602.3';
  const checkSheet = (...rows: string[]): string => {
    const file = join(folder, 'checks.csv');
    writeFileSync(file, [CHECKS, ...rows, ''].join('\n'));
    return file;
  };

  it('packs performance checks around the runs, in the order of the run numbers they share', async () => {
    const siteFolder = await site({ 'M-1': table(curve('paracetamol', 7, 0)) });
    writeFileSync(join(folder, 'one.csv'), table(simulated));
    writeFileSync(join(folder, 'standard.csv'), table(curve('paracetamol', 9)));
    const checks = checkSheet(
      '3,2026-03-04T11:30:00+00:00,polystyrene,fail,,1004.9,',
      '1,2026-03-04T10:30:00+00:00,polystyrene,pass,standard.csv,1001.6,1602.3',
    );
    const more = ['--checks', checks, '--created-at', CREATED, '--json'];
    const args = options(sheet(row({ run: '2' })), siteFolder, ...more);
    const packed = await run(...args);
    expect(packed).toMatchObject({ exit: 0, json: { results: 1, performanceChecks: 2 } });
    const bytes = readFileSync(join(folder, 'bundle.json'));
    expect((await run(...args)).json).toEqual(packed.json);
    expect(readFileSync(join(folder, 'bundle.json'))).toEqual(bytes);
    const bundle = JSON.parse(bytes.toString('utf8')) as ResultBundle;
    expect(bundle.runs).toEqual({ epoch: 1, first: 1, last: 3 });
    const shared = { checkedAt: expect.any(String) as string, standard: 'polystyrene' };
    expect(bundle.performanceChecks).toEqual([
      {
        ...shared,
        runNumber: 1,
        checkId: expect.stringMatching(/^[0-9a-f-]{36}$/) as string,
        outcome: 'pass',
        shifts: [
          { expected: '1001.4', observed: '1001.6' },
          { expected: '1602.3', observed: '1602.3' },
        ],
        spectrum: expect.objectContaining({ points: 901 }) as object,
      },
      {
        ...shared,
        runNumber: 3,
        checkId: expect.not.stringMatching(bundle.performanceChecks[0]?.checkId ?? '') as string,
        outcome: 'fail',
        shifts: [{ expected: '1001.4', observed: '1004.9' }],
        spectrum: null,
      },
    ]);
    const checked = await run(
      'check',
      join(folder, 'bundle.json'),
      '--site-folder',
      siteFolder,
      '--json',
    );
    expect(checked).toMatchObject({ exit: 0, json: { files: [{ outcome: 'accepted' }] } });
  });

  it('packs checks alone, so that an instrument that measured nothing is heard', async () => {
    const siteFolder = await site({ 'M-1': table(curve('paracetamol', 7, 0)) }, ['LAB-1', 'LAB-2']);
    const checks = checkSheet('7,2026-03-04T10:30:00+00:00,polystyrene,pass,,1001.6,1602.3');
    const out = join(folder, 'bundle.json');
    const args = ['pack', '--checks', checks, '--site-folder', siteFolder, '--out', out, '--json'];
    expect(await run(...args)).toMatchObject({
      exit: 1,
      json: { faults: [{ file: checks, column: 'instrument' }] },
    });
    expect(await run(...args, '--instrument', 'LAB-2')).toMatchObject({
      exit: 0,
      json: { results: 0, performanceChecks: 1 },
    });
    const bundle = JSON.parse(readFileSync(out, 'utf8')) as ResultBundle;
    expect(bundle).toMatchObject({
      instrument: { serial: 'LAB-2' },
      runs: { first: 7, last: 7 },
      results: [],
    });
  });

  it('refuses checks whose cells, columns or runs are wrong, each by its place', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) });
    const good = '1,2026-03-04T10:30:00+00:00,polystyrene,pass,,1001.6,1602.3';
    const faultsOf = async (text: string, ...more: string[]) => {
      writeFileSync(join(folder, 'checks.csv'), text);
      const checks = join(folder, 'checks.csv');
      const base = ['pack', '--checks', checks, '--site-folder', siteFolder, '--json'];
      const refused = await run(...base, '--out', join(folder, 'bundle.json'), ...more);
      if (refused.exit === 2) return err.trim();
      const { faults } = refused.json as {
        faults: { line: number; column: string; message: string }[];
      };
      return faults.map(({ line, column, message }) => `${line} ${column}: ${message}`);
    };
    expect(await faultsOf(`${CHECKS},1001.40,band\n${good},1,1\n`)).toEqual([
      '1 1001.40: the band stands in column 1001.4 already',
      expect.stringMatching(/^1 band: expected one of run, .* position of a band such as 1001\.4/),
    ]);
    const bad = '2,yesterday,polystyrene,maybe,../x.csv,far,1602.3';
    expect(await faultsOf(`${CHECKS}\n${good}\n${bad}\n`)).toEqual([
      expect.stringMatching(/^3 file: expected a file below/),
      expect.stringMatching(/^3 checked_at: expected a time with offset/),
      '3 outcome: expected one of pass, fail, found maybe',
      '3 1001.4: expected a position such as 1001.6, found "far"',
    ]);
    writeFileSync(join(folder, 'one.csv'), table(simulated));
    const runs = ['--sheet', sheet(row()), '--spectra', folder];
    expect(await faultsOf(`${CHECKS}\n${good}\n`, ...runs)).toEqual([
      expect.stringMatching(/^2 run: run 1 stands on line 2 of .*runs\.csv already/),
    ]);
    const named = good.replace('pass,,', 'pass,one.csv,');
    expect(await faultsOf(`${CHECKS}\n${named}\n`)).toMatch(/line 2, names one\.csv: say where/);
    const none = ['pack', '--site-folder', siteFolder, '--out', join(folder, 'bundle.json')];
    expect((await run(...none)).exit).toBe(2);
    expect(err).toContain('--sheet');
    expect(existsSync(join(folder, 'bundle.json'))).toBe(false);
  });

  it('keeps extra columns as remarks, and the digest and epoch given', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) }, ['LAB-1', 'LAB-2']);
    writeFileSync(join(folder, 'one.csv'), table(simulated));
    writeFileSync(
      join(folder, 'runs.csv'),
      `${HEADER};instrument;Remark of the "day"\n`.replaceAll(',', ';').replace('"day"', 'day') +
        `${row({ score: '' }).replaceAll(',', ';')};LAB-2;bag was wet, wiped\n`,
    );
    const digest = 'a'.repeat(64);
    const answer = await run(
      ...options(
        join(folder, 'runs.csv'),
        siteFolder,
        '--previous-bundle',
        digest,
        '--epoch',
        '3',
        '--json',
      ),
    );
    expect(answer.exit).toBe(0);
    const bundle = JSON.parse(readFileSync(join(folder, 'bundle.json'), 'utf8')) as ResultBundle;
    expect(bundle).toMatchObject({
      instrument: { serial: 'LAB-2' },
      runs: { epoch: 3 },
      previousBundle: digest,
    });
    expect(bundle.results[0]?.score).toBeNull();
    expect(bundle.results[0]?.remarks).toEqual([
      { name: 'Remark of the day', text: 'bag was wet, wiped' },
    ]);
  });

  it('takes JCAMP-DX and AnIML by content, whatever they are called, and packs the same numbers', async () => {
    const siteFolder = await site({ 'M-1': table(curve('paracetamol', 7, 0)) });
    const spectrum = { title: 't', ...simulated, intensityUnit: 'COUNTS', notes: [] };
    const descending = {
      ...spectrum,
      axis: simulated.axis.toReversed(),
      intensity: simulated.intensity.toReversed(),
    };
    writeFileSync(join(folder, 'one.csv'), writeOpenJcamp([descending]));
    writeFileSync(join(folder, 'two.txt'), writeOpenAniml(spectrum));
    const file = sheet(row(), row({ run: '2', file: 'two.txt', container: 'C-2' }));
    const packed = await run(...options(file, siteFolder, '--json'));
    expect(packed).toMatchObject({ exit: 0, json: { results: 2 } });
    const bundle = JSON.parse(readFileSync(join(folder, 'bundle.json'), 'utf8')) as ResultBundle;
    const expected = encodeSpectrum(simulated.axis, simulated.intensity, 'float64', 'counts');
    expect(bundle.results.map((result) => result.spectrum)).toEqual([expected, expected]);
  });

  it('refuses a file of several spectra with what it holds, and faults with file and place', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) });
    const spectrum = { ...simulated, intensityUnit: 'COUNTS', notes: [] };
    const both = ['first', 'second'].map((title) => ({ title, ...spectrum }));
    writeFileSync(join(folder, 'one.csv'), writeOpenJcamp(both));
    const cut = writeOpenJcamp(both.slice(1)).replace(/##NPOINTS= \d+/, '##NPOINTS= 3');
    writeFileSync(join(folder, 'cut.jdx'), cut);
    const [only] = both;
    if (only === undefined) throw new Error('no spectrum');
    writeFileSync(
      join(folder, 'odd.xml'),
      writeOpenAniml(only).replace(
        '<EncodedValueSet startIndex="0"',
        '<EncodedValueSet startIndex="1"',
      ),
    );
    writeFileSync(join(folder, 'c.nc'), writeOpenE1947(only));
    const rows = ['one.csv', 'cut.jdx', 'odd.xml', 'c.nc'].map((name, index) =>
      row({ run: String(index + 1), file: name }),
    );
    const refused = await run(...options(sheet(...rows), siteFolder, '--json'));
    expect(refused.exit).toBe(1);
    const { faults } = refused.json as {
      faults: { file: string; line: number; message: string }[];
    };
    expect(faults.map(({ file, line, message }) => `${file} ${line} ${message}`)).toEqual([
      'one.csv 0 expected one spectrum, found 2: "first", "second"',
      expect.stringMatching(/^cut\.jdx [1-9]\d* expected (?:at most )?3 points/),
      expect.stringContaining('odd.xml 0 /AnIML/ExperimentStepSet/ExperimentStep/Result/SeriesSet'),
      expect.stringContaining('c.nc 0 found netCDF'),
    ]);
  });

  it('names file, line and column of everything wrong, and writes nothing', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) });
    writeFileSync(join(folder, 'one.csv'), table(simulated));
    writeFileSync(join(folder, 'bad.csv'), '100,1\n102,x\n');
    const file = sheet(
      row({ run: '0' }),
      row({ run: '2', decision: 'ok' }),
      row({ run: '2', score: '1e-3' }),
      row({ run: '3', measured_at: '4.3.2026' }),
      row({ run: '4', file: '../secret.csv' }),
      row({ run: '5', operator: '' }),
      '6,too,few',
    );
    const refused = await run(...options(file, siteFolder, '--json'));
    expect(refused.exit).toBe(1);
    const { faults } = refused.json as { faults: { line: number; column: string }[] };
    expect(faults.map((fault) => `${fault.line} ${fault.column}`)).toEqual([
      '2 run',
      '3 decision',
      '4 score',
      '4 run',
      '5 measured_at',
      '6 file',
      '7 operator',
      '8 ',
    ]);
    expect(err).toContain('line 3, column decision: expected one of pass, fail');

    const spectra = await run(
      ...options(sheet(row({ file: 'bad.csv' }), row({ run: '2', file: 'none.csv' })), siteFolder),
    );
    expect(spectra.exit).toBe(1);
    expect(err).toContain('bad.csv, line 2, column 2: expected a number with a point, found "x"');
    expect(err).toContain('runs.csv, line 3, column file');

    const method = await run(...options(sheet(row({ method: 'ID-M-9' })), siteFolder));
    expect(method.exit).toBe(1);
    expect(err).toContain(
      'line 2, column method: ID-M-9 is not registered; the site folder has ID-M-1',
    );
    expect(() => readFileSync(join(folder, 'bundle.json'))).toThrow();
  });

  it('asks for the instrument when the site has several, and refuses two in one bundle', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) }, ['LAB-1', 'LAB-2']);
    writeFileSync(join(folder, 'one.csv'), table(simulated));
    expect((await run(...options(sheet(row()), siteFolder))).exit).toBe(1);
    expect(err).toContain('name one of LAB-1, LAB-2');
    expect((await run(...options(sheet(row()), siteFolder, '--instrument', 'LAB-3'))).exit).toBe(1);
    expect(err).toContain('LAB-3 is not registered');
    expect((await run(...options(sheet(row()), siteFolder, '--instrument', 'LAB-2'))).exit).toBe(0);
  });

  it.each([
    [['pack', '--sheet', 'x']],
    [['check']],
    [['check', 'no-such-file.json', '--site-folder', 'SITE']],
    [['check', 'x', '--site-folder', 'no-such-folder']],
  ])('exits 2 on wrong usage: %j', async (args) => {
    const siteFolder = await site({ 'M-1': table(simulated) });
    const { exit } = await run(...args.map((arg) => (arg === 'SITE' ? siteFolder : arg)));
    expect(exit).toBe(2);
  });

  it('exits 1 with a held and a refused file, and tells of both', async () => {
    const siteFolder = await site({ 'M-1': table(simulated) });
    writeFileSync(join(folder, 'one.csv'), table(curve('naphthalene', 1)));
    await run(...options(sheet(row()), siteFolder, '--created-at', CREATED));
    writeFileSync(join(folder, 'half.json'), '{"format":');
    const files = [join(folder, 'bundle.json'), join(folder, 'half.json')];
    const checked = await run('check', ...files, '--site-folder', siteFolder, '--json');
    expect(checked.exit).toBe(1);
    expect(checked.json).toMatchObject({
      files: [
        { file: files[0], outcome: 'held' },
        {
          file: files[1],
          outcome: 'refused',
          findings: [{ code: 'json-syntax', pointer: '/format' }],
        },
      ],
    });
    await run('check', ...files, '--site-folder', siteFolder);
    expect(out).toContain('hold recheck-disagrees at /results/0/score/value');
  });
});

describeWithSpectra('measured spectra, packed and checked', (spectra) => {
  // Open data sets; HQI figures are those of the README beside them.
  it('are accepted against a reference of their own instrument, and held as another substance', async () => {
    const reference = (file: string) => readFileSync(join(spectra, file), 'utf8');
    const siteFolder = await site({
      CALCITE: reference('calcite__S4_785_z20.csv'),
      POLYSTYRENE: reference('polystyrene__S4_785_z20.csv'),
    });
    const measured = { receipt: 'GR-1', lot: 'L', score: '1.00' };
    const file = sheet(
      row({
        ...measured,
        run: '1',
        file: 'calcite__S4_785_z50.csv',
        material: 'CALCITE',
        method: 'ID-CALCITE',
      }),
      row({
        ...measured,
        run: '2',
        file: 'polystyrene__S4_785_z50.csv',
        material: 'POLYSTYRENE',
        method: 'ID-POLYSTYRENE',
      }),
      row({
        ...measured,
        run: '3',
        file: 'toluene__S1a.csv',
        material: 'POLYSTYRENE',
        method: 'ID-POLYSTYRENE',
      }),
    );
    const bundle = join(folder, 'bundle.json');
    const packed = await run(
      'pack',
      '--sheet',
      file,
      '--spectra',
      spectra,
      '--site-folder',
      siteFolder,
      '--out',
      bundle,
      '--json',
    );
    expect(packed.exit).toBe(0);
    const checked = await run('check', bundle, '--site-folder', siteFolder, '--json');
    const { files } = checked.json as {
      files: { findings: { code: string; severity: string; pointer: string }[] }[];
    };
    expect(
      files[0]?.findings.filter((f) => f.severity === 'hold').map((f) => `${f.code} ${f.pointer}`),
    ).toEqual(['recheck-disagrees /results/2/score/value']);
  });
});
