import { mkdir } from 'node:fs/promises';
import { type Command, Option } from 'commander';
import { processEnvironment } from '../config.js';
import { Misconfigured } from '../errors.js';
import { type CsvSeparator, csvFormFault, type DecimalMark } from '../formats/csv.js';
import { instantFromMillis } from '../formats/instant.js';
import { openXsdCheck, type XsdCheck } from '../formats/xsd-validator.files.js';
import { ATTACHED_FORMATS, type AttachedFormat } from '../records/encode-record.js';
import {
  FILE_FORMATS,
  type FileFormat,
  OPEN_FORMATS,
  type OpenFormat,
} from '../records/open-file.js';
import { describeFault } from '../site/site-fault.js';
import { loadSiteFolder } from '../site/site-folder.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  convertedText,
  isFine,
  refusedText,
  reportedSource,
  type WrittenItem,
} from './convert-report.js';
import type { ConvertAnswer, ConvertedItem, ConvertTask } from './convert-task.js';
import { DecodePool } from './decode.pool.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { type WriteOutcome, writeOnce } from './write-once.files.js';

interface ConvertCommandOptions {
  readonly from?: FileFormat;
  readonly to: OpenFormat;
  readonly out: string;
  readonly siteFolder?: string;
  readonly receivedAt?: string;
  readonly xsd?: string;
  readonly attach?: AttachedFormat;
  readonly separator?: SeparatorName;
  readonly decimalMark: DecimalMark;
  readonly fromSeparator?: SeparatorName;
  readonly fromDecimalMark: DecimalMark;
  readonly formulaSafe?: boolean;
  readonly bom?: boolean;
  readonly overwrite?: boolean;
  readonly json?: boolean;
}

const SEPARATORS = { comma: ',', semicolon: ';', tab: '\t', bar: '|' } as const satisfies Record<
  string,
  CsvSeparator
>;
type SeparatorName = keyof typeof SEPARATORS;

/** `drumline convert`: a bundle, or a file of an open format, written as another. */
export function registerConvert(program: Command): void {
  const separators = Object.keys(SEPARATORS);
  const marks = ['point', 'comma'];
  program
    .command('convert')
    .description('write every result of a bundle, or the record or spectra of a file, anew')
    .argument('<file>', 'bundle, AnIML, E1947-style netCDF, JCAMP-DX or CSV')
    .addOption(
      new Option('--from <format>', 'what the file is (default: its content decides)').choices(
        FILE_FORMATS,
      ),
    )
    .addOption(
      new Option('--to <format>', 'what to write').choices(OPEN_FORMATS).makeOptionMandatory(),
    )
    .requiredOption('--out <dir>', 'folder for the files; made when it is not there')
    .option('--site-folder <dir>', 'site folder; without one nothing of a bundle is rechecked')
    .option(
      '--received-at <date-time>',
      'when the bundle was received, RFC 3339 with offset (default: when it says it was created)',
    )
    .option('--xsd <dir>', 'folder with animl-core.xsd and catalog.xml to validate against first')
    .addOption(
      new Option('--attach <format>', 'with AnIML: this form too, named by its digest').choices(
        ATTACHED_FORMATS,
      ),
    )
    .addOption(new Option('--separator <name>', 'of CSV that is written').choices(separators))
    .addOption(
      new Option('--decimal-mark <name>', 'of CSV that is written').choices(marks).default('point'),
    )
    .option('--formula-safe', 'CSV for a spreadsheet: no cell can be run as a formula')
    .option('--bom', 'CSV begins with a byte order mark')
    .addOption(
      new Option(
        '--from-separator <name>',
        'of CSV that is read (default: the header decides)',
      ).choices(separators),
    )
    .addOption(
      new Option('--from-decimal-mark <name>', 'of CSV that is read')
        .choices(marks)
        .default('point'),
    )
    .option('--overwrite', 'replace files that hold something else')
    .option('--json', 'one JSON line, last on stdout')
    .addHelpText('after', HELP)
    .action(async (file: string, options: ConvertCommandOptions) => {
      process.exitCode = await convert(file, options);
    });
}

const HELP = `
A file of ours gives the record, verified by its digests; any other gives its Raman spectra alone. A result that a
check holds is written as <result id>~held and makes the exit code 1. docs/formats.md says what each format keeps.

Example:
  drumline convert bundle.json --to animl --out records --site-folder mappings/northquay
  drumline convert records/NQ-R-0001%3A1%3A17.animl --to jcamp --out exchange
  drumline convert spectrum.jdx --to csv --out tables --separator semicolon --decimal-mark comma

Drumline reports; the quality unit releases.`;

async function convert(file: string, options: ConvertCommandOptions): Promise<number> {
  const task = taskOf(file, options);
  const stray = task.attach !== null && task.to !== 'animl' ? 'only AnIML has attachments' : null;
  const fault = stray ?? csvFormFault(task.form) ?? csvFormFault(task.readForm);
  if (fault !== null) {
    progress(fault);
    return EXIT.usage;
  }
  const site = options.siteFolder === undefined ? null : await loadSite(options.siteFolder);
  const answer = await decoded(task, site);
  if (answer.kind === 'unusable') {
    progress(answer.message);
    return EXIT.usage;
  }
  if (answer.kind === 'refused') return refuse(answer, options);
  const check = await openCheck(options);
  if (check === 'unusable') return EXIT.usage;
  const items = await writeAll(answer.items, check, options);
  report(answer, items, options);
  return items.every(isFine) ? EXIT.fine : EXIT.problems;
}

function taskOf(file: string, options: ConvertCommandOptions): ConvertTask {
  const { from, to, separator, decimalMark, fromSeparator, fromDecimalMark } = options;
  return {
    file,
    from: from ?? null,
    to,
    form: {
      separator: SEPARATORS[separator ?? 'comma'],
      decimalMark,
      isFormulaSafe: options.formulaSafe === true,
      hasByteOrderMark: options.bom === true,
    },
    readForm: {
      ...(fromSeparator === undefined ? {} : { separator: SEPARATORS[fromSeparator] }),
      decimalMark: fromDecimalMark,
    },
    attach: options.attach ?? null,
    receivedAt: options.receivedAt ?? null,
    now: instantFromMillis(Date.now()),
  };
}

async function decoded(task: ConvertTask, site: SiteFolder | null): Promise<ConvertAnswer> {
  const pool = new DecodePool({ site });
  try {
    const result = await pool.convert(task);
    if (result.ok) return result.answer;
    const source = { format: task.from, found: null };
    const faults = [{ at: 'the file', message: result.message }];
    return { kind: 'refused', source, findings: [], faults, techniqueFindings: [] };
  } finally {
    await pool.close();
  }
}

async function loadSite(directory: string): Promise<SiteFolder> {
  const loaded = await loadSiteFolder(directory, processEnvironment());
  if (loaded.ok) return loaded.site;
  const found = loaded.faults.map(describeFault).join('\n');
  throw new Misconfigured('site-folder-invalid', { found });
}

function refuse(
  answer: ConvertAnswer & { readonly kind: 'refused' },
  options: ConvertCommandOptions,
): number {
  const { source, findings, faults, techniqueFindings } = answer;
  if (options.json === true) {
    const from = reportedSource(source);
    const outcome = 'refused';
    printJsonLine({ outcome, ...from, findings, faults, techniqueFindings, files: [] });
  } else printText(refusedText(answer));
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
  items: readonly ConvertedItem[],
  check: XsdCheck | null,
  options: ConvertCommandOptions,
): Promise<readonly WrittenItem[]> {
  try {
    await mkdir(options.out, { recursive: true });
    const written: WrittenItem[] = [];
    for (const item of items) written.push(await writeOne(item, check, options));
    return written;
  } finally {
    check?.dispose();
  }
}

/** What goes with a record first: a record never stands beside values that are not its own. */
async function writeOne(
  item: ConvertedItem,
  check: XsdCheck | null,
  options: ConvertCommandOptions,
): Promise<WrittenItem> {
  const { files, ...rest } = item;
  const own = files.at(-1);
  const beside = files.length > 1 ? (files[0]?.name ?? null) : null;
  const spectrumFile = options.to === 'csv' ? beside : null;
  const attachment = options.to === 'animl' ? beside : null;
  const base = { ...rest, file: own?.name ?? null, spectrumFile, attachment, schemaFaults: [] };
  if (own === undefined) return { ...base, state: 'impossible' };
  const schemaFaults = check?.faults(Buffer.from(own.bytes)) ?? [];
  if (schemaFaults.length > 0) return { ...base, state: 'invalid', schemaFaults };
  const states: WriteOutcome[] = [];
  for (const { name, bytes } of files) {
    const state = await writeOnce(options.out, name, bytes, {
      overwrite: options.overwrite === true,
    });
    if (state === 'differs') return { ...base, file: name, state };
    states.push(state);
  }
  return { ...base, state: states.includes('written') ? 'written' : 'unchanged' };
}

function report(
  answer: ConvertAnswer & { readonly kind: 'converted' },
  files: readonly WrittenItem[],
  options: ConvertCommandOptions,
): void {
  if (options.json !== true) {
    printText(convertedText(answer, files, options.to));
    return;
  }
  const { bundleId, source, techniqueFindings } = answer;
  const { to } = options;
  printJsonLine({
    outcome: 'converted',
    bundleId,
    ...reportedSource(source),
    to,
    format: to,
    exact: files.every(({ exact }) => exact),
    techniqueFindings,
    files,
  });
}
