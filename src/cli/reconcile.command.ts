import { writeFile } from 'node:fs/promises';
import { type Command, Option } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText } from './output.js';

interface ReconcileOptions extends GatewayOptions {
  readonly site?: string;
  readonly from?: string;
  readonly to?: string;
  readonly format: 'json' | 'csv';
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
        new Option('--format <format>', 'json or csv').choices(['json', 'csv']).default('json'),
      )
      .option('--out <file>', 'write the report there instead of printing it')
      .addHelpText('after', '\nExample:\n  drumline reconcile --format csv --out day.csv'),
  ).action(async (options: ReconcileOptions) => {
    const query = new URLSearchParams({ format: options.format });
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
    if (options.out !== undefined) await writeFile(options.out, answer.text);
    else printText(answer.text);
    if (options.format === 'json') {
      const report = JSON.parse(answer.text) as { discrepancies: readonly unknown[] };
      if (report.discrepancies.length > 0) process.exitCode = EXIT.problems;
      if (options.json && options.out !== undefined) {
        printJsonLine({ out: options.out, discrepancies: report.discrepancies.length });
      }
    }
  });
}
