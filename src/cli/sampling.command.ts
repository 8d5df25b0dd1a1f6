import type { Command } from 'commander';
import { Misconfigured } from '../errors.js';
import {
  answerSampling,
  IDENTITY_PLANS,
  type SamplingAnswer,
  type SamplingQuestion,
} from '../receipts/sampling-answer.js';
import { printJsonLine, printText } from './output.js';

/** `drumline sampling`: how many containers a plan asks for, by the rules a receipt is judged by. */
export function registerSampling(program: Command): void {
  program
    .command('sampling')
    .description('say how many containers a sampling plan asks for, and how many may fail')
    .requiredOption(
      '--plan <name>',
      `${IDENTITY_PLANS.join(', ')} (identity); iso2859 (labels, damage)`,
    )
    .requiredOption('--lot-size <n>', 'containers of the receipt line')
    .option('--rounding <how>', 'sqrt: up, nearest or down (default: up)')
    .option('--positions <list>', 'fixed: places in the announced list, such as 1,5,10')
    .option('--level <level>', 'iso2859: S-1, S-2, S-3, S-4, I, II or III (default: II)')
    .option('--aql <percent>', 'iso2859: 0.065 to 6.5')
    .option('--seed <text>', 'name the containers too, as this seed chooses them')
    .option('--json', 'one JSON line, last on stdout')
    .addHelpText('after', HELP)
    .action((options: SamplingQuestion & { readonly json?: boolean }) => {
      const reply = answerSampling(options);
      if (!reply.ok) throw new Misconfigured(reply.code, { found: reply.found });
      if (options.json) printJsonLine(reply.answer);
      else printText(textOf(reply.answer));
    });
}

const HELP = `
Identity is never accepted with a failure, whatever the plan: it says which containers are tested, not how many may
fail. iso2859 serves labels and damage only. docs/sampling.md has the tables and where they come from.

Example:
  drumline sampling --plan sqrt --lot-size 40 --json
  drumline sampling --plan iso2859 --lot-size 200 --level II --aql 1.0

Exit: 0 worked out, 2 wrong usage. Drumline reports; the quality unit releases.`;

function textOf(answer: SamplingAnswer): string {
  const { plan, purpose, lotSize, n, accept, reject, later, containers, missesOneWrong } = answer;
  return [
    `${plan}, for ${purpose}: ${n} of ${lotSize} containers, accepted with ${accept} failing, rejected with ${reject}`,
    ...(later === undefined ? [] : [`then ${later.n} ${later.what}`]),
    ...(containers === undefined ? [] : [`containers ${containers.join(', ')}`]),
    `one wrong container among ${lotSize} is missed with a chance of ${missesOneWrong}`,
    `conditions: ${answer.conditions}`,
    `source: ${answer.source}`,
  ].join('\n');
}
