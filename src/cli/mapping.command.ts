import { readFile } from 'node:fs/promises';
import { type Command, Option } from 'commander';
import { processEnvironment, readSettings } from '../config.js';
import { checkMapping } from '../mapping/check-mapping.service.js';
import { compileMapping } from '../mapping/compiled-mapping.js';
import { exampleFaults } from '../mapping/examples.service.js';
import { ExpressionPool } from '../mapping/expression.pool.js';
import { inboundExampleFaults } from '../mapping/inbound-examples.service.js';
import { describeInboundFault } from '../mapping/inbound-lines.js';
import { mapInbound } from '../mapping/inbound-map.service.js';
import { inboundFaults } from '../mapping/inbound-mappings.service.js';
import { MESSAGE_NAMES, type MessageName } from '../site/mapping-document.js';
import { describeFault, inReadingOrder, type SiteFault } from '../site/site-fault.js';
import { type LoadedSiteFolder, loadSiteFolder } from '../site/site-folder.files.js';
import { anchoredClock } from '../storage/clock.js';
import { type Preview, previewBundle, previewSample } from './mapping-preview.runner.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface CheckOptions {
  readonly siteFolder?: string;
  readonly json?: boolean;
}

interface PreviewOptions extends CheckOptions {
  readonly destination?: string;
  readonly source?: string;
  readonly document?: string;
  readonly bundle?: string;
  readonly message: MessageName;
}

export function registerMapping(program: Command): void {
  const mapping = program
    .command('mapping')
    .description('check and preview what destinations are sent and what sources say')
    .addHelpText('after', '\nExample:\n  drumline mapping check --site-folder mappings/northquay');
  withSiteFolder(mapping.command('check'))
    .description('check the site folder and every mapping in it, all faults at once')
    .addHelpText(
      'after',
      '\nExample:\n  drumline mapping check --site-folder mappings/northquay\n\nExit 0: no fault. 1: faults, each with file, line and remedy.',
    )
    .action(async (options: CheckOptions) => await check(options));
  withSiteFolder(mapping.command('preview'))
    .description('show the payloads a bundle would yield, byte for byte; nothing is sent')
    .option('--destination <name>', 'destination of the site folder')
    .option('--source <name>', 'source of the site folder: show what its --document asks for')
    .option('--document <file>', 'document of the source, as it would send it')
    .option('--bundle <file>', 'result bundle; needed for the message result')
    .addOption(
      new Option('--message <name>', 'message to show; all but result use an invented sample')
        .choices(MESSAGE_NAMES)
        .default('result'),
    )
    .addHelpText(
      'after',
      '\nExample:\n  drumline mapping preview --destination lims --bundle bundle.json\n  drumline mapping preview --destination erp --message stop\n  drumline mapping preview --source erp --document receipts.xml\n\nDrumline reports; the quality unit releases.',
    )
    .action(async (options: PreviewOptions) => await preview(options));
}

function withSiteFolder(command: Command): Command {
  return command
    .option(
      '--site-folder <dir>',
      'site folder (default: DRUMLINE_SITE_FOLDER or mappings/northquay)',
    )
    .option('--json', 'print one JSON line, last on stdout');
}

async function check(options: CheckOptions): Promise<void> {
  const loaded = await loadSiteFolder(directoryOf(options), processEnvironment());
  const faults: SiteFault[] = loaded.ok ? [] : [...loaded.faults];
  await withPool(async (pool) => {
    for (const mapping of loaded.mappingSources.values()) {
      faults.push(...(await checkMapping(mapping, pool)));
    }
    for (const inbound of loaded.inboundSources.values()) faults.push(...inboundFaults(inbound));
    if (loaded.ok) faults.push(...(await allExampleFaults(loaded, pool)));
  });
  const sorted = inReadingOrder(faults);
  report(options, sorted, () =>
    loaded.ok
      ? `${loaded.site.title}: no faults in ${Object.keys(loaded.files).length} files, mappings ${[...loaded.mappings.keys()].join(', ')}${inboundNames(loaded)}`
      : '',
  );
}

/** Examples are tried only on mappings that hold together. */
async function allExampleFaults(
  loaded: LoadedSiteFolder,
  pool: ExpressionPool,
): Promise<SiteFault[]> {
  const { files, mappingSources, inboundSources, site } = loaded;
  const sound = new Map([...inboundSources].filter(([, of]) => inboundFaults(of).length === 0));
  return [
    ...(await exampleFaults(files, mappingSources, pool)),
    ...(await inboundExampleFaults(files, sound, site.timeZone, pool)),
  ];
}

function inboundNames({ inboundSources }: LoadedSiteFolder): string {
  return inboundSources.size === 0 ? '' : `, sources ${[...inboundSources.keys()].join(', ')}`;
}

function report(options: CheckOptions, faults: readonly SiteFault[], fine: () => string): void {
  if (faults.length > 0) process.exitCode = EXIT.problems;
  if (options.json) printJsonLine({ ok: faults.length === 0, faults });
  else if (faults.length === 0) printText(fine());
  else printText(`${faults.map(describeFault).join('\n')}\n${faults.length} faults`);
}

async function preview(options: PreviewOptions): Promise<void> {
  const { destination, source: from } = options;
  if ((destination === undefined) === (from === undefined)) {
    return usage('name what is shown: --destination, or --source with --document');
  }
  const loaded = await loadSiteFolder(directoryOf(options), processEnvironment());
  if (!loaded.ok) return report(options, loaded.faults, () => '');
  if (from !== undefined) return previewDocument(options, from, loaded);
  return previewPayloads(options, destination ?? '', loaded);
}

/** What a document of a source would ask for; nothing is announced. */
async function previewDocument(
  options: PreviewOptions,
  source: string,
  loaded: LoadedSiteFolder,
): Promise<void> {
  const inbound = loaded.inboundSources.get(source);
  if (!inbound) {
    const known = [...loaded.inboundSources.keys()].join(', ');
    return usage(`no source ${source} in the site folder (known: ${known})`);
  }
  if (options.document === undefined) return usage('--document is needed to preview a source');
  const bytes = await readFile(options.document);
  const faults = inboundFaults(inbound);
  if (faults.length > 0) return report(options, faults, () => '');
  await withPool(async (pool) => {
    const { timeZone } = loaded.site;
    const mapped = await mapInbound({ document: inbound.document, timeZone, pool }, bytes);
    const { digest } = inbound;
    if (!mapped.ok) {
      process.exitCode = EXIT.problems;
      if (options.json) printJsonLine({ source, digest, ok: false, faults: mapped.faults });
      else printText(mapped.faults.map(describeInboundFault).join('\n'));
      return;
    }
    const requests = mapped.requests.map(({ asked: _, ...request }) => request);
    if (options.json) printJsonLine({ source, digest, ok: true, requests });
    else {
      const shown = requests.map(
        ({ place, receiptId, change, sequence, body }) =>
          `-- ${place}: ${change} ${receiptId}${sequence === null ? '' : `, number ${sequence}`}\n${JSON.stringify(body)}`,
      );
      printText(shown.join('\n'));
    }
  });
}

async function previewPayloads(
  options: PreviewOptions,
  destination: string,
  loaded: LoadedSiteFolder,
): Promise<void> {
  const source = loaded.mappingSources.get(destination);
  if (!source) {
    const known = [...loaded.mappingSources.keys()].join(', ');
    return usage(`no destination ${destination} in the site folder (known: ${known})`);
  }
  if (options.message === 'result' && options.bundle === undefined) {
    return usage('--bundle is needed to preview results');
  }
  await withPool(async (pool) => {
    const faults = await checkMapping(source, pool);
    const compiled = compileMapping(source);
    if (faults.length > 0 || !compiled.ok) return report(options, faults, () => '');
    const shown =
      options.message === 'result' && options.bundle !== undefined
        ? await previewBundle(
            options.bundle,
            loaded.site,
            compiled.mapping,
            pool,
            anchoredClock().now(),
          )
        : await previewSample(options.message, compiled.mapping, pool);
    show(options, source.digest, shown);
  });
}

function show(options: PreviewOptions, digest: string, shown: Preview): void {
  const { destination, message } = options;
  const ok = shown.payloads.length > 0 && shown.payloads.every((p) => p.problems.length === 0);
  if (!ok || shown.collisions.length > 0) process.exitCode = EXIT.problems;
  if (options.json) {
    printJsonLine({
      destination,
      message,
      digest,
      ...shown,
      ok: ok && shown.collisions.length === 0,
    });
    return;
  }
  const lines = shown.bundleFindings.map((finding) => `bundle: ${finding}`);
  for (const item of shown.payloads) {
    const state = item.held ? ' (held: would not be sent)' : '';
    const permit = item.permitsRelease ? ' PERMITS RELEASE' : '';
    lines.push(`-- ${item.subject}${state}${permit}`);
    if (item.request)
      lines.push(`${item.request.method} ${item.request.path}  ${item.contentType ?? ''}`);
    lines.push(item.payload ?? '', ...item.problems.map((problem) => `problem: ${problem}`));
  }
  for (const { field, values, under } of shown.collisions) {
    lines.push(`collision: ${values.join(' and ')} at ${field} differ only by ${under}`);
  }
  if (shown.payloads.length === 0) lines.push('no result of the bundle can be shown');
  printText(lines.join('\n'));
}

function usage(message: string): void {
  progress(message);
  process.exitCode = EXIT.usage;
}

function directoryOf(options: CheckOptions): string {
  return readSettings(processEnvironment(), { siteFolder: options.siteFolder }).siteFolderDirectory;
}

async function withPool(work: (pool: ExpressionPool) => Promise<void>): Promise<void> {
  const pool = new ExpressionPool({ threads: 1 });
  try {
    await work(pool);
  } finally {
    await pool.close();
  }
}
