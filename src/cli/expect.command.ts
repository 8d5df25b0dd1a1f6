import { readFile } from 'node:fs/promises';
import type { Command } from 'commander';
import { headerSeparator } from '../formats/csv.js';
import { unreadableFile } from './file-fault.js';
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
    const text = await readUtf8(file);
    if (text === null) {
      process.exitCode = EXIT.usage;
      return;
    }
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      // Spreadsheets of many countries separate by semicolons; the header line shows it.
      path: `/api/v1/expectations${headerSeparator(text) === ';' ? '?separator=;' : ''}`,
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

/** null, with the reason printed, when it cannot be read; other encodings would change labels unseen. */
async function readUtf8(file: string): Promise<string | null> {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(await readFile(file));
  } catch (error) {
    progress(
      error instanceof TypeError
        ? `${file}: not UTF-8; save it as UTF-8`
        : unreadableFile(file, error),
    );
    return null;
  }
}

interface TakenLine {
  readonly receiptId: string;
  readonly outcome: string;
  readonly revision: number;
  readonly keptBack: readonly string[];
}
