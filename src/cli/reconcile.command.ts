import { type Command, Option } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printDocument, printJsonLine, printText, progress } from './output.js';
import {
  REPORT_FORMATS,
  type ReportFileOptions,
  reportFormat,
  reportUsageFault,
  writeReportFile,
} from './report-file.js';

interface ReconcileOptions extends GatewayOptions, ReportFileOptions {
  readonly site?: string;
  readonly from?: string;
  readonly to?: string;
}

export function registerReconcile(program: Command): void {
  withGatewayOptions(
    program
      .command('reconcile')
      .description('compare what was expected, measured, delivered and confirmed')
      .option('--site <site>', 'site id; must be the one the gateway serves')
      .option(
        '--from <day>',
        "first day by measured time, in the site's zone (2026-11-25), or an RFC 3339 date-time (default: all)",
      )
      .option('--to <day>', 'last day, or an RFC 3339 date-time that ends the period')
      .addOption(
        new Option(
          '--format <format>',
          'text, json, csv, html or pdf, with the same content; default: text, with --json json',
        ).choices(REPORT_FORMATS),
      )
      .option('--out <file>', 'write the report there instead of printing it')
      .option('--overwrite', 'replace a file of that name that holds something else')
      .addHelpText(
        'after',
        '\nExample:\n  drumline reconcile --site northquay --from 2026-11-25 --to 2026-11-25 --format pdf --out day.pdf\n\nExit: 0 nothing open, 1 discrepancies are open, 2 wrong usage.',
      ),
  ).action(reconcile);
}

async function reconcile(options: ReconcileOptions): Promise<void> {
  const format = reportFormat(options);
  const fault = reportUsageFault(options);
  if (fault !== null) {
    progress(fault);
    process.exitCode = EXIT.usage;
    return;
  }
  const query = new URLSearchParams({ format });
  for (const name of ['site', 'from', 'to'] as const) {
    const value = options[name];
    if (value !== undefined) query.set(name, value);
  }
  const answer = await requestGateway(commandSettings(options), {
    method: 'GET',
    path: `/api/v1/reconciliation?${query}`,
  });
  if (answer.status >= 400) {
    readAnswer(answer, options.json === true);
    return;
  }
  const open = Number(answer.headers?.['x-drumline-open'] ?? Number.NaN);
  if (options.out === undefined) printDocument(answer.text);
  else if (!(await writeReportFile(options, options.out, answer.bytes))) return;
  if (options.out !== undefined) {
    if (options.json === true) printJsonLine({ out: options.out, discrepancies: open });
    else printText(`${options.out}: ${open} discrepancies open`);
  }
  if (open > 0) process.exitCode = EXIT.problems;
}
