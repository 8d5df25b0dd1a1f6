import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type Command, InvalidArgumentError, Option } from 'commander';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import { formatInstant, instantFromMillis, parseTimestamp } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import { CHECK_COLUMNS, type CheckRow, readCheckSheet } from './check-sheet.js';
import { DecodePool } from './decode.pool.js';
import { unreadableFile } from './file-fault.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { type NamedSheet, packBundle } from './pack-bundle.js';
import { readRunSheet, SHEET_COLUMNS, type SheetRow } from './pack-sheet.js';
import type { PackFault, ReadRows } from './sheet-table.js';
import { loadSiteForCommand } from './site-folder-option.files.js';
import type { FileSpectrum } from './spectrum-task.js';

interface PackOptions {
  readonly sheet?: string;
  readonly checks?: string;
  readonly spectra?: string;
  readonly out: string;
  readonly siteFolder?: string;
  readonly instrument?: string;
  readonly createdAt?: string;
  readonly previousBundle?: string;
  readonly epoch: number;
  readonly zip?: 'store' | 'deflate';
  readonly json?: boolean;
}

/** `drumline pack`: measured spectra, a run sheet and performance checks become a bundle of origin `packed`. */
export function registerPack(program: Command): void {
  program
    .command('pack')
    .description('pack a folder of measured spectra and a run sheet into a result bundle')
    .option('--sheet <file>', `CSV, a run a row: ${SHEET_COLUMNS.join(',')}`)
    .option(
      '--checks <file>',
      `CSV, a performance check a row: ${CHECK_COLUMNS.join(',')}, then a column for each band headed by its expected position`,
    )
    .option('--spectra <dir>', 'folder of spectra: two-column text, JCAMP-DX or AnIML')
    .requiredOption('--out <file>', 'bundle to write')
    .option(
      '--site-folder <dir>',
      'site folder (default: DRUMLINE_SITE_FOLDER or mappings/northquay)',
    )
    .option('--instrument <serial>', 'registered instrument that measured')
    .option('--created-at <time>', 'RFC 3339 time with offset (default: now)', readTime)
    .option('--previous-bundle <sha256>', 'digest of the bundle packed before', readDigest)
    .option('--epoch <number>', 'epoch of the run numbers', readEpoch, 1)
    .addOption(
      new Option('--zip [method]', 'write a zip archive with the spectrum files as they are')
        .choices(['store', 'deflate'])
        .preset('deflate'),
    )
    .option('--json', 'print one JSON line, last on stdout')
    .addHelpText(
      'after',
      '\nExample:\n  drumline pack --sheet runs.csv --spectra spectra --site-folder mappings/northquay \\\n    --instrument NQ-R-0001 --out bundle.json\n\nThe same input with the same --created-at gives the same bytes (deflated ones\nunder the same release of Node). Labels count as typed, so a person has to\ncompare them; a packed result covers no container in a production environment. Performance\nchecks count on with the run numbers of the sheet; a bundle may hold them alone.',
    )
    .action(pack);
}

async function pack(options: PackOptions): Promise<void> {
  const site = await loadSiteForCommand(options.siteFolder);
  if (site === null) return refuseUsage();
  if (options.sheet === undefined && options.checks === undefined) {
    return refuseUsage(
      'name a sheet of runs with --sheet, one of performance checks with --checks',
    );
  }
  const { resultsPerBundleMax: rowsMax } = site.limits;
  const runs = await readSheet(options.sheet, (text, file) => readRunSheet(text, file, rowsMax));
  const checks = await readSheet(options.checks, (text, file) =>
    readCheckSheet(text, file, rowsMax),
  );
  if ('message' in runs) return refuseUsage(runs.message);
  if ('message' in checks) return refuseUsage(checks.message);
  if (!runs.ok || !checks.ok) {
    return report(
      [runs, checks].flatMap((sheet) => (sheet.ok ? [] : sheet.faults)),
      options,
    );
  }
  const read = await readSpectra(options.spectra, [runs, checks], site);
  if ('message' in read) return refuseUsage(read.message);
  if (read.faults.length > 0) return report(read.faults, options);
  const packed = packBundle({
    site,
    runs,
    checks,
    spectra: read.spectra,
    zip: options.zip ?? null,
    instrument: options.instrument ?? null,
    createdAt: options.createdAt ?? formatInstant(instantFromMillis(Date.now())),
    epoch: options.epoch,
    previousBundle: options.previousBundle ?? null,
  });
  if (!packed.ok) return report(packed.faults, options);
  const { bytes, document, sha256 } = packed.bundle;
  const faults = loadBundleSchema()(document);
  if (faults.length > 0) {
    const whole = { file: options.out, line: 0, column: '' };
    return report(
      faults.map(({ pointer, message }) => ({ ...whole, message: `${pointer}: ${message}` })),
      options,
    );
  }
  await writeFile(options.out, bytes);
  const { bundleId } = document;
  const { results, performanceChecks } = document.manifest.counts;
  const answer = { out: options.out, bundleId, sha256, results, performanceChecks };
  if (options.json === true) printJsonLine(answer);
  else {
    const held = `${counted(results, 'result')}, ${counted(performanceChecks, 'performance check')}`;
    printText(`${options.out}: bundle ${bundleId}, ${held}, SHA-256 ${sha256}`);
  }
}

function counted(count: number, name: string): string {
  return `${count} ${name}${count === 1 ? '' : 's'}`;
}

function refuseUsage(message?: string): void {
  if (message !== undefined) progress(message);
  process.exitCode = EXIT.usage;
}

/** A sheet that was not named is one without rows. */
async function readSheet<Row>(
  file: string | undefined,
  read: (text: string, file: string) => ReadRows<Row>,
): Promise<(ReadRows<Row> & { readonly file: string }) | { readonly message: string }> {
  if (file === undefined) return { ok: true, rows: [], file: '' };
  const found = await readText(file);
  return 'message' in found ? found : { ...read(found.text, file), file };
}

async function readSpectra(
  folder: string | undefined,
  sheets: readonly NamedSheet<SheetRow | CheckRow>[],
  site: SiteFolder,
): Promise<
  { spectra: Map<string, FileSpectrum>; faults: PackFault[] } | { readonly message: string }
> {
  const spectra = new Map<string, FileSpectrum>();
  const faults: PackFault[] = [];
  const named = sheets.flatMap(({ file: sheet, rows }) =>
    rows.flatMap(({ file, line }) => (file === null ? [] : [{ file, line, sheet }])),
  );
  const [first] = named;
  if (first === undefined) return { spectra, faults };
  if (folder === undefined) {
    const { sheet, line, file } = first;
    return { message: `${sheet}, line ${line}, names ${file}: say where with --spectra` };
  }
  const pool = new DecodePool({ site: null });
  try {
    for (const { file, line, sheet } of named) {
      if (spectra.has(file)) continue;
      const { spectrumPointsMax: pointsMax } = site.limits;
      const result = await pool.spectrum({ file: join(folder, file), pointsMax });
      if (!result.ok) {
        faults.push({ file, line: 0, column: '', message: result.message });
      } else if (result.answer.ok) {
        spectra.set(file, result.answer.spectrum);
      } else if (result.answer.kind === 'unreadable') {
        const { message } = result.answer;
        faults.push({ file: sheet, line, column: 'file', message });
      } else {
        const { line: inFile, column, message } = result.answer;
        faults.push({ file, line: inFile, column, message });
      }
    }
  } finally {
    await pool.close();
  }
  return { spectra, faults };
}

function report(faults: readonly PackFault[], options: PackOptions): void {
  process.exitCode = EXIT.problems;
  if (options.json === true) printJsonLine({ faults });
  for (const { file, line, column, message } of faults) {
    const place = [line > 0 ? `line ${line}` : '', column === '' ? '' : `column ${column}`];
    progress(`${[file, ...place.filter((part) => part !== '')].join(', ')}: ${message}`);
  }
}

async function readText(
  file: string,
): Promise<{ readonly text: string } | { readonly message: string }> {
  try {
    return { text: new TextDecoder('utf-8', { fatal: true }).decode(await readFile(file)) };
  } catch (error) {
    if (error instanceof TypeError) return { message: `${file}: not UTF-8` };
    return { message: unreadableFile(file, error) };
  }
}

function readTime(text: string): string {
  if (parseTimestamp(text) !== null) return text;
  throw new InvalidArgumentError('Expected a time such as 2026-03-04T09:15:30+00:00.');
}

function readDigest(text: string): string {
  if (/^[0-9a-f]{64}$/.test(text)) return text;
  throw new InvalidArgumentError('Expected 64 lower-case hexadecimal digits.');
}

function readEpoch(text: string): number {
  if (/^[1-9]\d{0,5}$/.test(text)) return Number(text);
  throw new InvalidArgumentError('Expected a whole number from 1.');
}
