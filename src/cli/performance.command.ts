import type { Command } from 'commander';
import type { PerformanceCauseView } from '../pipeline/performance-cause.service.js';
import type { ShownPerformance } from '../statements/performance-view.js';
import { printAsked } from './ask-gateway.js';
import { type CauseOptions, signCause } from './cause.command.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline performance show NQ-R-0001\n  drumline performance cause 0193…\n  drumline performance sign 0193… --shown 9f86… --investigation INV-26-031 --user r.reviewer --reason "standard stood askew, log 9"';

/** How an instrument performs, and the signed cause of a check that failed. */
export function registerPerformance(program: Command): void {
  const performance = program
    .command('performance')
    .description('look at the performance checks of an instrument, and sign why one failed')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    performance
      .command('show')
      .description('list checks and the trend of every band')
      .argument('<serial>', 'serial of the instrument')
      .addHelpText(
        'after',
        '\nExample:\n  drumline performance show NQ-R-0001 --json\n\nExit: 0 the last check passed, 1 it did not, 2 wrong usage.',
      ),
  ).action(async (serial: string, options: GatewayOptions) => {
    const path = `/api/v1/instruments/${encodeURIComponent(serial)}/performance`;
    await printAsked<ShownPerformance>(path, options, {
      text: performanceText,
      isOpen: ({ checks }) => checks.at(-1)?.verdict !== 'pass',
    });
  });
  withGatewayOptions(
    performance
      .command('cause')
      .description('show a failed check, what it leaves in doubt, and what a signature covers')
      .argument('<id>', 'row id of the check')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<PerformanceCauseView>(pathOf(id), options, { text: causeText });
  });
  withSigningOptions(
    performance
      .command('sign')
      .description('sign the cause of a failed check, under an investigation')
      .argument('<id>', 'row id of the check')
      .requiredOption('--shown <sha256>', 'digest of what `performance cause` showed')
      .requiredOption('--investigation <number>', 'reference number of the investigation')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: CauseOptions) => {
    await signCause(pathOf(id), options);
  });
}

function pathOf(id: string): string {
  return `/api/v1/performance-checks/${encodeURIComponent(id)}/cause`;
}

function performanceText({ serial, checks, trend, caution }: ShownPerformance): string {
  return [
    `instrument ${serial}, ${checks.length} checks`,
    ...checks.map(
      (check) =>
        `check  ${check.checkedAt}  run ${check.run}  ${check.standard}  reported ${check.reported}, judged ${check.verdict}${check.isCauseSigned ? ', cause signed' : ''}  ${check.rowId}`,
    ),
    ...trend.map((band) => {
      const last = band.points.at(-1);
      const slope = band.slopePerDay === null ? '' : `, ${band.slopePerDay} cm-1 a day`;
      return `band   ${band.standard} ${band.expected}: ${last?.deviation ?? ''} cm-1 of ${band.tolerance} (${band.state})${slope}`;
    }),
    caution,
  ].join('\n');
}

function causeText(view: PerformanceCauseView): string {
  const { possible, because, effects } = view.cause;
  return [
    `check    ${view.checkId} (${view.rowId}) of ${view.instrument}`,
    `cause    ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    ...view.signatures.map((signature) => signatureText(signature)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
