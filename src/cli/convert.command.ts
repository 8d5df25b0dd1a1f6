import { mkdir, readFile } from 'node:fs/promises';
import { type Command, Option } from 'commander';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import type { Examination } from '../checks/examination.js';
import { examineBundle } from '../checks/examine-bundle.js';
import type { Finding } from '../checks/finding.js';
import { processEnvironment } from '../config.js';
import { Misconfigured } from '../errors.js';
import { type Instant, instantFromMillis, parseTimestamp } from '../formats/instant.js';
import { openXsdCheck, type XsdCheck, type XsdFault } from '../formats/xsd-validator.files.js';
import { describeFault } from '../site/site-fault.js';
import { loadSiteFolder } from '../site/site-folder.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type ConvertedResult,
  type ConvertFormat,
  convertBundle,
  SITE_OF_NOTHING,
} from './convert-bundle.js';
import { unreadableFile } from './file-fault.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { type WriteOutcome, writeOnce } from './write-once.files.js';

interface ConvertCommandOptions {
  readonly to: ConvertFormat;
  readonly out: string;
  readonly siteFolder?: string;
  readonly receivedAt?: string;
  readonly xsd?: string;
  readonly overwrite?: boolean;
  readonly json?: boolean;
}

interface ConvertedFile {
  readonly resultId: string;
  readonly pointer: string;
  readonly held: boolean;
  readonly file: string | null;
  readonly state: WriteOutcome | 'invalid' | 'impossible';
  readonly findings: readonly Finding[];
  readonly schemaFaults: readonly XsdFault[];
}

/** `drumline convert`: one AnIML or CSV file for every result of a bundle. */
export function registerConvert(program: Command): void {
  program
    .command('convert')
    .description('write every result of a bundle as AnIML or CSV, one file a result')
    .argument('<bundle>', 'bundle file')
    .addOption(
      new Option('--to <format>', 'what to write').choices(['animl', 'csv']).makeOptionMandatory(),
    )
    .requiredOption('--out <dir>', 'folder for the files; made when it is not there')
    .option('--site-folder <dir>', 'site folder; without one nothing is rechecked')
    .option(
      '--received-at <date-time>',
      'when the bundle was received, RFC 3339 with offset (default: when it says it was created)',
    )
    .option('--xsd <dir>', 'folder with animl-core.xsd and catalog.xml to validate against first')
    .option('--overwrite', 'replace files that hold something else')
    .option('--json', 'one JSON line, last on stdout')
    .addHelpText('after', HELP)
    .action(async (bundle: string, options: ConvertCommandOptions) => {
      process.exitCode = await convert(bundle, options);
    });
}

const HELP = `
A result that a check holds is written as <result id>~held.<format> and makes the exit code 1.

Example:
  drumline convert bundle.json --to animl --out records --site-folder mappings/northquay

Drumline reports; the quality unit releases.`;

async function convert(file: string, options: ConvertCommandOptions): Promise<number> {
  const bytes = await readInput(file);
  if (bytes === null) return EXIT.usage;
  const site = options.siteFolder === undefined ? null : await loadSite(options.siteFolder);
  const now = instantFromMillis(Date.now());
  const validateSchema = loadBundleSchema();
  const examination = examineBundle(bytes, site ?? SITE_OF_NOTHING, { now, validateSchema });
  if (examination.kind === 'unreadable' || examination.document === null) {
    return refuse(examination, options);
  }
  const { document } = examination;
  const receivedAt = instantOf(options.receivedAt ?? document.createdAt);
  if (receivedAt === null) return EXIT.usage;
  const converted = convertBundle(examination, document, {
    format: options.to,
    receivedAt,
    hasSite: site !== null,
  });
  const check = await openCheck(options);
  if (check === 'unusable') return EXIT.usage;
  const files = await writeAll(converted, check, options);
  report(document.bundleId, files, options);
  return files.every(isFine) ? EXIT.fine : EXIT.problems;
}

async function readInput(file: string): Promise<Buffer | null> {
  try {
    return await readFile(file);
  } catch (error) {
    progress(unreadableFile(file, error));
    return null;
  }
}

async function loadSite(directory: string): Promise<SiteFolder> {
  const loaded = await loadSiteFolder(directory, processEnvironment());
  if (loaded.ok) return loaded.site;
  const found = loaded.faults.map(describeFault).join('\n');
  throw new Misconfigured('site-folder-invalid', { found });
}

function instantOf(text: string): Instant | null {
  const parsed = parseTimestamp(text);
  if (parsed !== null) return parsed.instant;
  progress(`expected an RFC 3339 date-time with offset, found ${text}; use --received-at`);
  return null;
}

function refuse(examination: Examination, options: ConvertCommandOptions): number {
  const findings =
    examination.kind === 'unreadable' ? [examination.finding] : examination.bundleFindings;
  if (options.json === true) printJsonLine({ outcome: 'refused', findings, files: [] });
  else {
    printText(
      ['Nothing was written: the bundle cannot be read.', ...findings.map(describe)].join('\n'),
    );
  }
  return EXIT.problems;
}

/** The schema asked for, null when none was. */
async function openCheck(options: ConvertCommandOptions): Promise<XsdCheck | null | 'unusable'> {
  if (options.xsd === undefined || options.to !== 'animl') return null;
  try {
    return await openXsdCheck(options.xsd, 'animl-core.xsd');
  } catch (error) {
    progress(`the schema in ${options.xsd} cannot be used: ${(error as Error).message}`);
    return 'unusable';
  }
}

async function writeAll(
  converted: readonly ConvertedResult[],
  check: XsdCheck | null,
  options: ConvertCommandOptions,
): Promise<readonly ConvertedFile[]> {
  try {
    await mkdir(options.out, { recursive: true });
    const files: ConvertedFile[] = [];
    for (const result of converted) files.push(await writeOne(result, check, options));
    return files;
  } finally {
    check?.dispose();
  }
}

async function writeOne(
  result: ConvertedResult,
  check: XsdCheck | null,
  options: ConvertCommandOptions,
): Promise<ConvertedFile> {
  const { resultId, pointer, held, findings, file } = result;
  const base = { resultId, pointer, held, findings, file: file?.name ?? null };
  if (file === null) return { ...base, state: 'impossible', schemaFaults: [] };
  const schemaFaults = check?.faults(Buffer.from(file.text, 'utf8')) ?? [];
  if (schemaFaults.length > 0) return { ...base, state: 'invalid', schemaFaults };
  const overwrite = options.overwrite === true;
  const state = await writeOnce(options.out, file.name, file.text, { overwrite });
  return { ...base, state, schemaFaults };
}

function isFine({ state, held }: ConvertedFile): boolean {
  return !held && (state === 'written' || state === 'unchanged');
}

function report(
  bundleId: string,
  files: readonly ConvertedFile[],
  options: ConvertCommandOptions,
): void {
  if (options.json === true) {
    printJsonLine({ outcome: 'converted', bundleId, format: options.to, files });
    return;
  }
  const count = (state: ConvertedFile['state']) => files.filter((f) => f.state === state).length;
  const lines = files.filter((file) => !isFine(file)).flatMap(describeFile);
  const held = files.filter((file) => file.held).length;
  lines.push(
    `${files.length} results: ${count('written')} written, ${count('unchanged')} already there, ${held} held.`,
  );
  printText(lines.join('\n'));
}

const STATES: Readonly<Record<ConvertedFile['state'], string>> = {
  written: 'written',
  unchanged: 'already there',
  differs:
    'not written: the file is there and holds something else; use another folder or --overwrite',
  invalid: 'not written: the document breaks the schema',
  impossible: 'not written: no record can be made of it',
};

function describeFile(file: ConvertedFile): readonly string[] {
  const name = file.file ?? file.pointer;
  return [
    `${file.resultId}: ${name} ${STATES[file.state]}`,
    ...file.schemaFaults.map(({ line, message }) => `  line ${line}: ${message}`),
    ...file.findings.map((finding) => `  ${describe(finding)}`),
  ];
}

function describe({ code, pointer, message, advice }: Finding): string {
  return `${code} at ${pointer === '' ? 'the document' : pointer}: ${message}. ${advice}`;
}
