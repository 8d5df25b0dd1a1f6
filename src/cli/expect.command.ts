import { randomUUID } from 'node:crypto';
import { readFile } from 'node:fs/promises';
import type { Command } from 'commander';
import { headerSeparator } from '../formats/csv.js';
import { decodeText } from '../formats/text-encoding.js';
import { unreadableFile } from './file-fault.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { type GatewayAnswer, requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface ExpectOptions extends GatewayOptions {
  readonly receipt?: string;
  readonly source?: string;
}

export function registerExpect(program: Command): void {
  withGatewayOptions(
    program
      .command('expect')
      .description(
        'announce receipt lines and their containers from CSV, JSON or a document of a source, all or none',
      )
      .argument(
        '<file>',
        'CSV, one receipt line a row; JSON of one receipt line; or what a source sends',
      )
      .option('--receipt <id>', 'receipt id of the JSON line')
      .option('--source <name>', 'read the file by the inbound mapping of this source')
      .addHelpText(
        'after',
        '\nExample:\n  drumline expect receipts.csv --json\n  drumline expect R-1001.json --receipt R-1001\n  drumline expect deliveries.xml --source erp\n\nCSV in UTF-8 with commas or semicolons; a list of containers that holds the separator\nis quoted. Labels may be ranges: C-001..C-040.',
      ),
  ).action(async (file: string, options: ExpectOptions) => {
    if (options.source !== undefined) return takeDocument(file, options.source, options);
    const text = await readText(file);
    if (text === null) {
      process.exitCode = EXIT.usage;
      return;
    }
    const isJson = /^\s*\{/u.test(text);
    if (isJson !== (options.receipt !== undefined)) {
      progress(
        isJson
          ? `${file}: JSON of one receipt line; name its id with --receipt`
          : `${file}: not a JSON object; --receipt is for one receipt line in JSON`,
      );
      process.exitCode = EXIT.usage;
      return;
    }
    const answer =
      options.receipt === undefined
        ? await announceCsv(options, text)
        : await announceJson(options, options.receipt, text);
    const taken = readAnswer(answer, options.json === true);
    if (taken === undefined) return;
    if (options.json) printJsonLine(taken);
    else printTaken(isJson ? [taken as TakenLine] : (taken as { lines: TakenLine[] }).lines);
  });
}

/** The bytes as they are: they are kept as what the source said. */
async function takeDocument(file: string, source: string, options: ExpectOptions): Promise<void> {
  if (options.receipt !== undefined) {
    progress('a document of a source names its receipts itself; leave --receipt out');
    process.exitCode = EXIT.usage;
    return;
  }
  let bytes: Uint8Array;
  try {
    bytes = await readFile(file);
  } catch (error) {
    progress(unreadableFile(file, error));
    process.exitCode = EXIT.usage;
    return;
  }
  const answer = await requestGateway(commandSettings(options), {
    method: 'POST',
    path: `/api/v1/sources/${encodeURIComponent(source)}/receipts`,
    headers: { 'idempotency-key': randomUUID() },
    body: { contentType: 'application/octet-stream', text: bytes },
  });
  const taken = readAnswer(answer, options.json === true);
  if (taken === undefined) return;
  if (options.json) printJsonLine(taken);
  else printTaken((taken as { lines: TakenLine[] }).lines);
}

function announceCsv(options: GatewayOptions, text: string): Promise<GatewayAnswer> {
  return requestGateway(commandSettings(options), {
    method: 'POST',
    // Spreadsheets of many countries separate by semicolons; the header line shows it.
    path: `/api/v1/expectations${headerSeparator(text) === ';' ? '?separator=;' : ''}`,
    body: { contentType: 'text/csv', text },
  });
}

/** Whoever runs the command has the file in hand: it replaces whatever revision there is. */
function announceJson(
  options: GatewayOptions,
  receiptId: string,
  text: string,
): Promise<GatewayAnswer> {
  return requestGateway(commandSettings(options), {
    method: 'PUT',
    path: `/api/v1/receipts/${encodeURIComponent(receiptId)}`,
    headers: { 'if-match': '*' },
    body: { contentType: 'application/json', text },
  });
}

function printTaken(lines: readonly TakenLine[]): void {
  for (const line of lines) {
    const revision = line.revision === null ? '' : `, revision ${line.revision}`;
    printText(`${line.receiptId}  ${line.outcome}${revision}`);
    for (const kept of line.keptBack) printText(`  kept: ${kept}`);
  }
}

/** null, with the reason printed, when it cannot be read; other encodings would change labels unseen. */
async function readText(file: string): Promise<string | null> {
  try {
    const decoded = decodeText(await readFile(file));
    if (decoded.ok) return decoded.text;
    progress(`${file}: found ${decoded.found}, expected UTF-8; save it as UTF-8`);
  } catch (error) {
    progress(unreadableFile(file, error));
  }
  return null;
}

interface TakenLine {
  readonly receiptId: string;
  readonly outcome: string;
  readonly revision: number | null;
  readonly keptBack: readonly string[];
}
