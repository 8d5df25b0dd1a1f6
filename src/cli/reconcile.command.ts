import { basename, dirname } from 'node:path';
import { type Command, Option } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { writeOnce } from './write-once.files.js';

const FORMATS = ['text', 'json', 'csv', 'html', 'pdf'] as const;
type Format = (typeof FORMATS)[number];

interface ReconcileOptions extends GatewayOptions {
  readonly site?: string;
  readonly from?: string;
  readonly to?: string;
  readonly format?: Format;
  readonly out?: string;
  readonly overwrite?: boolean;
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
        ).choices(FORMATS),
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
  const format = options.format ?? (options.json === true ? 'json' : 'text');
  const fault = usageFault(options, format);
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
  if (options.out === undefined) printText(answer.text);
  else if (!(await write(options, options.out, answer.bytes))) return;
  if (options.out !== undefined) {
    if (options.json === true) printJsonLine({ out: options.out, discrepancies: open });
    else printText(`${options.out}: ${open} discrepancies open`);
  }
  if (open > 0) process.exitCode = EXIT.problems;
}

function usageFault(options: ReconcileOptions, format: Format): string | null {
  if (options.out !== undefined) return null;
  if (format === 'pdf') return 'a PDF is written to a file: name it with --out';
  if (options.json === true && format !== 'json') {
    return `--json prints the report as JSON; write ${format} to a file with --out`;
  }
  return null;
}

/** Never replaces a file that holds something else unless asked to. */
async function write(options: ReconcileOptions, out: string, bytes: Uint8Array): Promise<boolean> {
  const outcome = await writeOnce(dirname(out), basename(out), bytes, {
    overwrite: options.overwrite === true,
  });
  if (outcome !== 'differs') return true;
  progress(`${out} holds something else: name another file, or say --overwrite`);
  process.exitCode = EXIT.usage;
  return false;
}
