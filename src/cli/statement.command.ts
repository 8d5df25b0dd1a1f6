import type { Command } from 'commander';
import type { StatementRecord } from '../records/statement-record.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText } from './output.js';
import { statementText } from './statement-text.js';

export function registerStatement(program: Command): void {
  withGatewayOptions(
    program
      .command('statement')
      .description('say what can be said of one receipt now, condition by condition')
      .requiredOption('--receipt <id>', 'receipt id')
      .addHelpText(
        'after',
        '\nExample:\n  drumline statement --receipt R-1001 --json\n\nExit: 0 conforms, 1 anything else, 2 wrong usage. Drumline reports; the quality unit releases.',
      ),
  ).action(async (options: GatewayOptions & { receipt: string }) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: `/api/v1/receipts/${encodeURIComponent(options.receipt)}/statement`,
    });
    const statement = readAnswer(answer, options.json === true) as StatementRecord | undefined;
    if (!statement) return;
    if (statement.outcome !== 'conforms') process.exitCode = EXIT.problems;
    if (options.json) printJsonLine(statement);
    else printText(statementText(statement));
  });
}
