import { writeFile } from 'node:fs/promises';
import { type Command, Option } from 'commander';
import { parseCsv } from '../formats/csv.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { reportText, type ShownReport } from './report-text.js';

type Format = 'text' | 'json' | 'csv';

interface ReconcileOptions extends GatewayOptions {
  readonly site?: string;
  readonly from?: string;
  readonly to?: string;
  readonly format?: Format;
  readonly out?: string;
}

export function registerReconcile(program: Command): void {
  withGatewayOptions(
    program
      .command('reconcile')
      .description('compare what was expected, measured, delivered and confirmed')
      .option('--site <site>', 'site id; must be the one the gateway serves')
      .option('--from <date-time>', 'RFC 3339, start of the period by measured time (default: all)')
      .option('--to <date-time>', 'RFC 3339, end of the period')
      .addOption(
        new Option(
          '--format <format>',
          'text, json, or csv (discrepancies only); default: text, with --json json',
        ).choices(['text', 'json', 'csv']),
      )
      .option('--out <file>', 'write the report there instead of printing it')
      .addHelpText(
        'after',
        '\nExample:\n  drumline reconcile --from 2026-03-04T00:00:00Z --format csv --out day.csv\n\nExit: 0 nothing open, 1 discrepancies are open, 2 wrong usage.',
      ),
  ).action(reconcile);
}

async function reconcile(options: ReconcileOptions): Promise<void> {
  const format = options.format ?? (options.json === true ? 'json' : 'text');
  if (options.json === true && format !== 'json' && options.out === undefined) {
    progress(`--json prints the report as JSON; write ${format} to a file with --out`);
    process.exitCode = EXIT.usage;
    return;
  }
  const query = new URLSearchParams({ format: format === 'csv' ? 'csv' : 'json' });
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
  const { text, discrepancies } = render(format, answer.text);
  if (options.out === undefined) printText(text);
  else {
    await writeFile(options.out, text.endsWith('\n') ? text : `${text}\n`);
    if (options.json === true) printJsonLine({ out: options.out, discrepancies });
    else printText(`${options.out}: ${discrepancies} discrepancies open`);
  }
  if (discrepancies > 0) process.exitCode = EXIT.problems;
}

function render(format: Format, body: string): { text: string; discrepancies: number } {
  if (format === 'csv') {
    const parsed = parseCsv(body);
    return { text: body, discrepancies: parsed.ok ? parsed.rows.length - 1 : 0 };
  }
  const report = JSON.parse(body) as ShownReport;
  const { length } = report.discrepancies;
  return { text: format === 'json' ? body : reportText(report), discrepancies: length };
}
