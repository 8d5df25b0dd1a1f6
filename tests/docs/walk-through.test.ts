import { cpSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, expect, test, vi } from 'vitest';
import { registerCheck } from '../../src/cli/check.command.js';
import { registerConvert } from '../../src/cli/convert.command.js';
import { registerPack } from '../../src/cli/pack.command.js';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { parseExpectation } from '../../src/receipts/expectation.js';
import { measuredSpan } from '../../src/site/method-force.js';
import { describeWithSpectra, repositoryRoot } from '../support/shared.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** The README's walk-through on the measured spectra it names, with the files as it prints them. */

const readme = readFileSync(join(repositoryRoot(), 'README.md'), 'utf8');

function blocks(language: string): string[] {
  return [...readme.matchAll(new RegExp(`\`\`\`${language}\\n(.*?)\`\`\``, 'gs'))].map(
    (match) => match[1] ?? '',
  );
}

/** Puts the README's material and method in front of the others, as it says to. */
function siteFolder(spectra: string): string {
  const directory = join(temporaryDirectory(), 'my-site');
  cpSync(join(repositoryRoot(), 'mappings', 'northquay'), directory, { recursive: true });
  const [addition = ''] = blocks('yaml');
  const lists =
    /^materials:\n(.*?) {2}# … the others …\nmethods:\n(.*?) {2}# … the others …\n/s.exec(addition);
  const file = join(directory, 'site.yaml');
  const text = readFileSync(file, 'utf8')
    .replace(/^materials:\n/m, `materials:\n${lists?.[1]}`)
    .replace(/^methods:\n/m, `methods:\n${lists?.[2]}`);
  expect(text).toContain('code: NQ-2001');
  expect(text).toContain('id: ID-NQ-2001');
  writeFileSync(file, text);
  cpSync(
    join(spectra, 'polystyrene__S4_785_z50.csv'),
    join(directory, 'references', 'NQ-2001.csv'),
  );
  return directory;
}

interface CheckReport {
  readonly files: readonly {
    readonly outcome: string;
    readonly findings: readonly { readonly code: string; readonly severity: string }[];
  }[];
}

/** Runs a command as the shell would; returns its JSON line. */
async function drumline(...args: string[]): Promise<unknown> {
  const written: string[] = [];
  const spy = vi.spyOn(process.stdout, 'write').mockImplementation((chunk) => {
    written.push(String(chunk));
    return true;
  });
  try {
    const program = new Command('drumline').exitOverride();
    for (const register of [registerPack, registerCheck, registerConvert]) register(program);
    await program.parseAsync([...args, '--json'], { from: 'user' });
  } finally {
    spy.mockRestore();
  }
  return JSON.parse(written.join('').trim().split('\n').at(-1) ?? '');
}

afterEach(() => {
  process.exitCode = undefined;
});

describeWithSpectra('README walk-through', (spectra) => {
  async function packAndCheck(sheet: string): Promise<CheckReport> {
    const site = siteFolder(spectra);
    const directory = temporaryDirectory();
    const sheetFile = join(directory, 'runs.csv');
    const bundle = join(directory, 'bundle.json');
    const checksFile = join(directory, 'checks.csv');
    writeFileSync(sheetFile, sheet);
    writeFileSync(checksFile, checks);
    await drumline(
      ...[
        'pack',
        '--sheet',
        sheetFile,
        '--checks',
        checksFile,
        '--spectra',
        spectra,
        '--site-folder',
        site,
      ],
      ...['--instrument', 'NQ-R-0001', '--out', bundle],
    );
    expect(process.exitCode ?? 0).toBe(0);
    const report = (await drumline('check', bundle, '--site-folder', site)) as CheckReport;
    const format = ['convert', bundle, '--to', 'animl', '--out', join(directory, 'out')];
    const converted = (await drumline(...format, '--site-folder', site)) as { files: unknown[] };
    expect(converted.files).toHaveLength(3);
    return report;
  }

  const [sheet = '', checks = '', receipts = '', , late = ''] = blocks('csv');

  test('its bundle of measured spectra is accepted with remarks only', async () => {
    const report = await packAndCheck(sheet);
    expect(report.files.map((file) => file.outcome)).toEqual(['accepted']);
    const findings = report.files[0]?.findings ?? [];
    expect(findings.filter((finding) => finding.severity === 'hold')).toEqual([]);
    expect(findings.map((finding) => finding.code)).toContain('label-not-scanned');
  });

  test('the changed score it suggests is held by the recheck', async () => {
    const changed = sheet.replace(',pass,0.93', ',pass,0.97');
    expect(changed).not.toBe(sheet);
    const report = await packAndCheck(changed);
    expect(report.files[0]?.outcome).toBe('held');
    expect(
      report.files[0]?.findings.filter((f) => f.severity === 'hold').map((f) => f.code),
    ).toEqual(['recheck-disagrees']);
  });

  test('its receipt lines are read without a fault and name what the sheet measured', () => {
    const parsed = parseExpectation(receipts, {});
    expect(parsed.ok ? [] : parsed.faults).toEqual([]);
    const lines = parsed.ok ? parsed.lines : [];
    for (const line of lines) expect(sheet + late).toContain(line.scanText);
    expect(lines.map((line) => line.containers)).toEqual([['C-01', 'C-02'], ['C-01'], ['C-01']]);
    // Rule 30: no clock stated the offsets of a sheet.
    const times = sheet.match(/\d{4}-\d{2}-\d{2}T[^,]+/g) ?? [];
    expect(times).toHaveLength(3);
    for (const at of times) {
      const { instant } = parseTimestamp(at) ?? { instant: Number.NaN as Instant };
      const { from } = measuredSpan(instant, at, 'assumed');
      for (const { receivedAt } of lines) expect(from).toBeGreaterThan(receivedAt ?? Infinity);
    }
  });
});
