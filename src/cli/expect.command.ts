import { readFile } from 'node:fs/promises';
import type { Command } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

export function registerExpect(program: Command): void {
  withGatewayOptions(
    program
      .command('expect')
      .description('announce receipt lines and their containers from a CSV file, all or none')
      .argument('<file>', 'CSV, one receipt line a row')
      .addHelpText('after', '\nExample:\n  drumline expect receipts.csv --json'),
  ).action(async (file: string, options: GatewayOptions) => {
    let text: string;
    try {
      text = await readFile(file, 'utf8');
    } catch (error) {
      progress(`${file}: ${error instanceof Error ? error.message : String(error)}`);
      process.exitCode = EXIT.usage;
      return;
    }
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      path: '/api/v1/expectations',
      body: { contentType: 'text/csv', text },
    });
    const taken = readAnswer(answer, options.json === true) as { lines: TakenLine[] } | undefined;
    if (!taken) return;
    if (options.json) printJsonLine(taken);
    else {
      for (const line of taken.lines) {
        printText(`${line.receiptId}  ${line.outcome}, revision ${line.revision}`);
        for (const kept of line.keptBack) printText(`  kept: ${kept}`);
      }
    }
  });
}

interface TakenLine {
  readonly receiptId: string;
  readonly outcome: string;
  readonly revision: number;
  readonly keptBack: readonly string[];
}
