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

export function registerStatement(program: Command): void {
  withGatewayOptions(
    program
      .command('statement')
      .description('say what can be said of one receipt now, condition by condition')
      .requiredOption('--receipt <id>', 'receipt id')
      .addHelpText(
        'after',
        '\nExample:\n  drumline statement --receipt R-1001 --json\n\nDrumline reports; the quality unit releases.',
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
    else printText(describeStatement(statement));
  });
}

function describeStatement(statement: StatementRecord): string {
  const { receipt } = statement;
  const lines = [
    `${receipt.receiptId}: ${statement.outcome} (revision ${statement.revision}, valid until ${statement.validUntil})`,
    ...statement.conditions.map((c) => `  ${c.state.padEnd(13)} ${c.code}: ${c.found}`),
    ...statement.decisions.map(
      (d) => `  rests on ${d.id} (${d.rule}), ${d.decidedBy}, ${d.date}: ${d.reason}`,
    ),
  ];
  if (statement.stopInForce) {
    const { kind, reason, issuedAt } = statement.stopInForce;
    lines.push(`  stop in force: ${kind} since ${issuedAt}, ${reason}`);
  }
  return lines.join('\n');
}
