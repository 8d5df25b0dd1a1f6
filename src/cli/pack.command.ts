import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type Command, InvalidArgumentError, Option } from 'commander';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import { formatInstant, instantFromMillis, parseTimestamp } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import { DecodePool } from './decode.pool.js';
import { unreadableFile } from './file-fault.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { packBundle } from './pack-bundle.js';
import { type PackFault, readRunSheet, SHEET_COLUMNS, type SheetRow } from './pack-sheet.js';
import { loadSiteForCommand } from './site-folder-option.files.js';
import type { FileSpectrum } from './spectrum-task.js';

interface PackOptions {
  readonly sheet: string;
  readonly spectra: string;
  readonly out: string;
  readonly siteFolder?: string;
  readonly instrument?: string;
  readonly createdAt?: string;
  readonly previousBundle?: string;
  readonly epoch: number;
  readonly zip?: 'store' | 'deflate';
  readonly json?: boolean;
}

/** `drumline pack`: measured spectra and a run sheet become a bundle of origin `packed`. */
export function registerPack(program: Command): void {
  program
    .command('pack')
    .description('pack a folder of measured spectra and a run sheet into a result bundle')
    .requiredOption('--sheet <file>', `CSV, a run a row: ${SHEET_COLUMNS.join(',')}`)
    .requiredOption('--spectra <dir>', 'folder of spectra: two-column text, JCAMP-DX or AnIML')
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
      '\nExample:\n  drumline pack --sheet runs.csv --spectra spectra --site-folder mappings/northquay \\\n    --instrument NQ-R-0001 --out bundle.json\n\nThe same input with the same --created-at gives the same bytes (deflated ones\nunder the same release of Node). Labels count as typed, so a person has to\ncompare them; a packed result covers no container in a production environment.',
    )
    .action(pack);
}

async function pack(options: PackOptions): Promise<void> {
  const site = await loadSiteForCommand(options.siteFolder);
  const found = await readText(options.sheet);
  if (site === null || 'message' in found) {
    if ('message' in found) progress(found.message);
    process.exitCode = EXIT.usage;
    return;
  }
  const sheet = readRunSheet(found.text, options.sheet, site.limits.resultsPerBundleMax);
  if (!sheet.ok) return report(sheet.faults, options);
  const read = await readSpectra(options, sheet.rows, site);
  if (read.faults.length > 0) return report(read.faults, options);
  const packed = packBundle({
    site,
    sheet: options.sheet,
    rows: sheet.rows,
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
    const whole = { file: options.sheet, line: 0, column: '' };
    return report(
      faults.map(({ pointer, message }) => ({ ...whole, message: `${pointer}: ${message}` })),
      options,
    );
  }
  await writeFile(options.out, bytes);
  const { bundleId, results } = document;
  const answer = { out: options.out, bundleId, sha256, results: results.length };
  if (options.json === true) printJsonLine(answer);
  else
    printText(`${options.out}: bundle ${bundleId}, ${results.length} results, SHA-256 ${sha256}`);
}

async function readSpectra(
  options: PackOptions,
  rows: readonly SheetRow[],
  site: SiteFolder,
): Promise<{ spectra: Map<string, FileSpectrum>; faults: PackFault[] }> {
  const spectra = new Map<string, FileSpectrum>();
  const faults: PackFault[] = [];
  const pool = new DecodePool({ site: null });
  try {
    for (const { file, line } of rows) {
      if (file === null || spectra.has(file)) continue;
      const { spectrumPointsMax: pointsMax } = site.limits;
      const result = await pool.spectrum({ file: join(options.spectra, file), pointsMax });
      if (!result.ok) {
        faults.push({ file, line: 0, column: '', message: result.message });
      } else if (result.answer.ok) {
        spectra.set(file, result.answer.spectrum);
      } else if (result.answer.kind === 'unreadable') {
        const { message } = result.answer;
        faults.push({ file: options.sheet, line, column: 'file', message });
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

interface TextFile {
  readonly text: string;
  readonly bytes: Uint8Array;
}

async function readText(file: string): Promise<TextFile | { readonly message: string }> {
  try {
    const bytes = await readFile(file);
    return { text: new TextDecoder('utf-8', { fatal: true }).decode(bytes), bytes };
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
