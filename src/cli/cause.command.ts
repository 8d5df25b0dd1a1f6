import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { CauseView } from '../statements/cause-view.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline cause show 0193…\n  drumline cause sign 0193… --shown 9f86… --investigation INV-26-014 --user r.reviewer --reason "probe window was wet, log 7"';

/** The assignable cause of a contrary result: the series of its container, and the signature. */
export function registerCause(program: Command): void {
  const cause = program
    .command('cause')
    .description('look at a contrary result with its series, and sign what caused it')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    cause
      .command('show')
      .description('show every attempt on the container, and what a signature covers')
      .argument('<id>', 'row id of the result')
      .addHelpText('after', '\nExample:\n  drumline cause show 0193…'),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<CauseView>(pathOf(id), options, { text: viewText });
  });
  withSigningOptions(
    cause
      .command('sign')
      .description('sign the assignable cause of a contrary result, under an investigation')
      .argument('<id>', 'row id of the result')
      .requiredOption('--shown <sha256>', 'digest of what `cause show` showed')
      .requiredOption('--investigation <number>', 'reference number of the investigation')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: CauseOptions) => {
    await signCause(pathOf(id), options);
  });
}

interface Signed {
  readonly signature: SignatureManifest;
}

export interface CauseOptions extends SigningOptions {
  readonly investigation: string;
}

/** Signs a cause under its investigation at an address of the gateway, and prints the signature. */
export async function signCause(path: string, options: CauseOptions): Promise<void> {
  const { investigation } = options;
  await printSigned<Signed>(path, { investigation }, options, ({ signature }) =>
    signatureText(signature),
  );
}

function pathOf(rowId: string): string {
  return `/api/v1/results/${encodeURIComponent(rowId)}/cause`;
}

function viewText(view: CauseView): string {
  const { possible, because, effects } = view.cause;
  return [
    `result   ${view.resultId} (${view.rowId})`,
    `receipt  ${view.receiptId ?? 'none'}, container ${view.container ?? 'none'}`,
    ...view.series.map(
      (a) =>
        `attempt  ${a.resultId}  ${a.decision ?? 'unreadable'}  ${a.state}  ${a.measuredAt ?? 'time unknown'}  ${a.instrument ?? ''}  ${a.operator ?? ''}`,
    ),
    `cause    ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    ...view.signatures.map((s) => signatureText(s)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
